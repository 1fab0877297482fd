"""Keeps a second daemon off the same journal, and a second hub worker off the same name."""

from __future__ import annotations

import fcntl
import os
import time
from pathlib import Path
from typing import IO

from monitor.errors import StorageError

_PATIENCE_S = 0.5


class DaemonLock:
    """An advisory lock on a file in the journal's folder; the kernel drops it with the process.

    Args:
        folder: of the journal.
        name: of the file.
        taken: what is said when another process has it; `{holder}` is where its number goes.
    """

    def __init__(
        self,
        folder: Path,
        name: str = "daemon.lock",
        taken: str = "another canister run{holder} uses this journal; stop it first, or name another "
        "storage.folder",
    ) -> None:
        self.file = folder / name
        self._taken = taken
        self._stream: IO[str] | None = None

    def take(self) -> None:
        """Take the lock.

        Raises:
            StorageError: another daemon holds it, or the file cannot be written.
        """
        try:
            stream = self.file.open("a+", encoding="utf-8")
        except OSError as error:
            raise StorageError(
                f"{self.file}: cannot be opened: {error.strerror}; make the folder writable for "
                "the user that runs canister"
            ) from error
        try:
            _lock_soon(stream)
        except OSError as error:
            stream.seek(0)
            holder = stream.read().strip()
            stream.close()
            process = f" (process {holder})" if holder else ""
            said = self._taken.format(holder=process)
            raise StorageError(f"{self.file}: {said}") from error
        stream.truncate(0)
        stream.write(f"{os.getpid()}\n")
        stream.flush()
        self._stream = stream

    def release(self) -> None:
        """Give the lock back."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None


def _lock_soon(stream: IO[str]) -> None:
    """Lock, with patience for whoever only looks whether a daemon runs."""
    until = time.monotonic() + _PATIENCE_S
    while True:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError:
            if time.monotonic() >= until:
                raise
            time.sleep(0.02)


def running_process(folder: Path) -> int | None:
    """Return the process id of the daemon on this journal, `None` when none runs."""
    file = folder / "daemon.lock"
    try:
        with file.open("r", encoding="utf-8") as stream:
            fcntl.flock(stream, fcntl.LOCK_SH | fcntl.LOCK_NB)
            return None
    except FileNotFoundError:
        return None
    except BlockingIOError:
        text = file.read_text(encoding="utf-8").strip()
        return int(text) if text.isdigit() else 0
    except OSError:
        return None
