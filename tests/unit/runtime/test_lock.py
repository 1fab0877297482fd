"""One daemon to a journal, shown with real processes."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.errors import StorageError
from monitor.runtime.lock import DaemonLock, running_process

HOLDER = """
import sys
from pathlib import Path
from monitor.runtime.lock import DaemonLock

lock = DaemonLock(Path(sys.argv[1]))
lock.take()
print("holding", flush=True)
sys.stdin.readline()
lock.release()
print("released", flush=True)
sys.stdin.readline()
"""


class Holder:
    """Another process that holds the lock until it is told, or killed."""

    def __init__(self, folder: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", HOLDER, str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.pid = self._process.pid
        assert self._heard() == "holding"

    def _heard(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def release(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        assert self._heard() == "released"

    def kill(self) -> None:
        self._process.kill()
        self._process.communicate()


@pytest.fixture
def another(tmp_path: Path) -> Iterator[Callable[[], Holder]]:
    """Starts another process that holds the lock of the folder."""
    started: list[Holder] = []

    def start() -> Holder:
        started.append(Holder(tmp_path))
        return started[-1]

    yield start
    for holder in started:
        holder.kill()


class TestASecondDaemon:
    def test_it_is_refused_with_the_first_ones_process_named(
        self, tmp_path: Path, another: Callable[[], Holder]
    ) -> None:
        first = another()
        with pytest.raises(StorageError) as caught:
            DaemonLock(tmp_path).take()
        line = str(caught.value)
        assert f"another canister run (process {first.pid}) uses this journal" in line
        assert str(tmp_path / "daemon.lock") in line
        assert "stop it first" in line
        assert len(line.splitlines()) == 1
        assert caught.value.exit_code == 1

    def test_a_refusal_leaves_the_first_ones_name_in_place(
        self, tmp_path: Path, another: Callable[[], Holder]
    ) -> None:
        first = another()
        for _ in range(3):
            with pytest.raises(StorageError, match=f"process {first.pid}"):
                DaemonLock(tmp_path).take()

    def test_it_may_start_once_the_first_has_let_go(
        self, tmp_path: Path, another: Callable[[], Holder]
    ) -> None:
        another().release()
        lock = DaemonLock(tmp_path)
        lock.take()
        lock.release()

    def test_it_may_start_after_the_first_was_killed(
        self, tmp_path: Path, another: Callable[[], Holder]
    ) -> None:
        another().kill()
        lock = DaemonLock(tmp_path)
        lock.take()
        lock.release()

    def test_a_second_lock_in_the_same_process_is_refused_as_well(self, tmp_path: Path) -> None:
        lock = DaemonLock(tmp_path)
        lock.take()
        with pytest.raises(StorageError, match=f"process {os.getpid()}"):
            DaemonLock(tmp_path).take()
        lock.release()

    def test_another_folder_is_another_journal(
        self, tmp_path: Path, another: Callable[[], Holder]
    ) -> None:
        another()
        other = tmp_path / "other"
        other.mkdir()
        lock = DaemonLock(other)
        lock.take()
        lock.release()


class TestWhoRuns:
    def test_nobody_where_there_is_no_lock(self, tmp_path: Path) -> None:
        assert running_process(tmp_path) is None
        assert running_process(tmp_path / "nowhere") is None
        assert list(tmp_path.iterdir()) == []

    def test_the_process_that_holds_it(self, tmp_path: Path, another: Callable[[], Holder]) -> None:
        assert running_process(tmp_path) is None
        first = another()
        assert running_process(tmp_path) == first.pid

    def test_nobody_after_it_let_go_or_was_killed(
        self, tmp_path: Path, another: Callable[[], Holder]
    ) -> None:
        first = another()
        first.release()
        assert running_process(tmp_path) is None
        second = another()
        assert running_process(tmp_path) == second.pid
        second.kill()
        assert running_process(tmp_path) is None

    def test_asking_does_not_take_the_lock(self, tmp_path: Path) -> None:
        lock = DaemonLock(tmp_path)
        lock.take()
        lock.release()
        assert running_process(tmp_path) is None
        lock.take()
        assert running_process(tmp_path) == os.getpid()
        lock.release()

    def test_a_holder_that_did_not_write_its_number_is_still_somebody(self, tmp_path: Path) -> None:
        lock = DaemonLock(tmp_path)
        lock.take()
        lock.file.write_text("")
        assert running_process(tmp_path) == 0
        with pytest.raises(StorageError, match="another canister run uses this journal"):
            DaemonLock(tmp_path).take()
        lock.release()


class TestTheFile:
    def test_a_folder_that_is_not_there_is_told_with_the_remedy(self, tmp_path: Path) -> None:
        with pytest.raises(StorageError, match=r"cannot be opened: .+; make the folder writable"):
            DaemonLock(tmp_path / "nowhere").take()

    def test_the_number_of_an_earlier_longer_lived_process_is_replaced(
        self, tmp_path: Path
    ) -> None:
        (tmp_path / "daemon.lock").write_text("99999999999\nleft over\n")
        lock = DaemonLock(tmp_path)
        lock.take()
        assert lock.file.read_text() == f"{os.getpid()}\n"
        lock.release()

    def test_release_is_harmless_twice_and_without_take(self, tmp_path: Path) -> None:
        lock = DaemonLock(tmp_path)
        lock.release()
        lock.take()
        lock.release()
        lock.release()
