"""Word to the service manager, over real datagram sockets as sd_notify(3) describes them."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from monitor.runtime import watchdog
from monitor.runtime.watchdog import Watchdog


class Manager:
    """A service manager's end of the socket."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)

    def heard(self) -> list[str]:
        """Return everything sent so far; what was sent has arrived, on a local socket."""
        found = []
        while True:
            try:
                found.append(self._socket.recv(4096, socket.MSG_DONTWAIT).decode())
            except BlockingIOError:
                return found

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["a path", "abstract"])
def manager(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Manager]:
    """A manager that listens on a socket in the file system, and one in the abstract name space."""
    if request.param == "abstract":
        name = f"canister-test-{os.getpid()}"
        made, named = Manager(f"\0{name}"), f"@{name}"
    else:
        monkeypatch.chdir(tmp_path)  # a socket's name may not be longer than 107 bytes
        made, named = Manager("notify"), "notify"
    monkeypatch.setenv("NOTIFY_SOCKET", named)
    yield made
    made.close()


class Hand:
    """A monotonic clock set by hand."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s = 1000.0
        monkeypatch.setattr(watchdog, "time", SimpleNamespace(monotonic=lambda: self.now_s))


@pytest.fixture
def hand(monkeypatch: pytest.MonkeyPatch) -> Hand:
    return Hand(monkeypatch)


LOOPS = {"safety loop": 5.0, "delivery": 60.0}


class TestFeeding:
    def test_it_is_fed_while_every_loop_makes_progress(self, manager: Manager, hand: Hand) -> None:
        dog = Watchdog(LOOPS)
        for _ in range(3):
            hand.now_s += 4.0
            dog.progress("safety loop")
            dog.progress("delivery")
            dog.feed()
        assert manager.heard() == ["WATCHDOG=1"] * 3

    @pytest.mark.parametrize("stalled", list(LOOPS))
    def test_it_is_not_fed_while_one_loop_is_stalled(
        self, manager: Manager, hand: Hand, stalled: str
    ) -> None:
        dog = Watchdog(LOOPS)
        hand.now_s += LOOPS[stalled] + 0.1
        for loop in LOOPS:
            if loop != stalled:
                dog.progress(loop)
        assert dog.stalled() == [stalled]
        dog.feed()
        assert manager.heard() == []

    def test_it_is_fed_again_when_the_loop_goes_on(self, manager: Manager, hand: Hand) -> None:
        dog = Watchdog(LOOPS)
        hand.now_s += 6.0
        dog.feed()
        dog.progress("safety loop")
        dog.feed()
        assert manager.heard() == ["WATCHDOG=1"]

    def test_each_loop_has_its_own_patience(self, hand: Hand) -> None:
        dog = Watchdog(LOOPS)
        hand.now_s += 5.0
        assert dog.stalled() == []
        hand.now_s += 0.1
        assert dog.stalled() == ["safety loop"]
        hand.now_s += 60.0
        assert dog.stalled() == ["safety loop", "delivery"]

    def test_a_loop_that_never_worked_stalls_as_well(self, manager: Manager, hand: Hand) -> None:
        dog = Watchdog({"delivery": 60.0})
        hand.now_s += 61.0
        dog.feed()
        assert manager.heard() == []


class TestSaying:
    def test_a_word_arrives_whole(self, manager: Manager) -> None:
        Watchdog({}).say("READY=1")
        Watchdog({}).say("STATUS=watching 2 filters – all well")
        assert manager.heard() == ["READY=1", "STATUS=watching 2 filters – all well"]

    @pytest.mark.parametrize("address", [None, ""])
    def test_without_a_manager_nothing_is_sent(
        self, monkeypatch: pytest.MonkeyPatch, address: str | None
    ) -> None:
        if address is None:
            monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
        else:
            monkeypatch.setenv("NOTIFY_SOCKET", address)
        dog = Watchdog(LOOPS)
        dog.feed()
        dog.say("READY=1")

    @pytest.mark.parametrize("address", ["/nonexistent/notify", "@nobody-listens-here", "x" * 500])
    def test_a_manager_that_does_not_listen_is_no_reason_to_stop(
        self, monkeypatch: pytest.MonkeyPatch, address: str
    ) -> None:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        dog = Watchdog(LOOPS)
        dog.feed()
        dog.say("STOPPING=1")


def test_a_manager_that_does_not_listen_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A socket that is bound and never read fills up after a few notifications."""
    address = tmp_path / "deaf"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(address))
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        watchdog = Watchdog({"loop": 60.0})
        began = time.monotonic()
        for _ in range(1000):
            watchdog.feed()
        assert time.monotonic() - began < 5.0


def test_progress_of_a_loop_that_was_not_announced_is_a_mistake() -> None:
    with pytest.raises(KeyError):
        Watchdog({"loop": 60.0}).progress("lop")
