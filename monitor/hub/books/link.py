"""One connection a thread to the books; every one is WAL with synchronous FULL and keeps references."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from monitor.errors import StorageError, UserMistake
from monitor.hub.books.schema import NewerBooksError, bring_up

FILE_NAME = "books.sqlite"
_BUSY_MS = 10_000
_OPEN_WITHIN_S = 10.0


class Link:
    """The file of the books in one folder, for any number of threads and processes of one machine.

    A damaged file is never set aside or begun anew: what is in it can only come back from a copy.

    Args:
        folder: where it is; made if need be, for this user only.
        clock: UTC, seconds.

    Raises:
        StorageError: the folder cannot be used, or the books are damaged or of a newer program.
    """

    def __init__(self, folder: Path, clock: Callable[[], float] = time.time) -> None:
        self.file = folder / FILE_NAME
        self.clock = clock
        self._local = threading.local()
        self._links: list[sqlite3.Connection] = []
        self._lock = threading.Lock()
        self._prepare(folder)

    def _prepare(self, folder: Path) -> None:
        try:
            folder.mkdir(mode=0o750, parents=True, exist_ok=True)
            # It holds addresses and the hashes of passwords; SQLite's other files get the same rights.
            os.close(os.open(self.file, os.O_RDWR | os.O_CREAT, 0o600))
        except OSError as error:
            raise StorageError(
                f"{self.file}: cannot be opened: {error.strerror}; make the folder writable for the "
                "hub's user, or set books.folder"
            ) from error
        try:
            bring_up(self._link())
        except NewerBooksError as error:
            raise StorageError(
                f"{self.file}: written by a newer canister ({error}); upgrade canister"
            ) from error
        except sqlite3.Error as error:
            raise self._told("be opened", error) from error

    def _told(self, doing: str, error: sqlite3.Error) -> StorageError:
        return StorageError(
            f"{self.file}: cannot {doing}: {error}; look at its owner and the disk, or put the newest "
            "copy of it back"
        )

    def _link(self) -> sqlite3.Connection:
        link: sqlite3.Connection | None = getattr(self._local, "link", None)
        if link is None:
            link = self._opened()
            self._local.link = link
            with self._lock:
                self._links.append(link)
        return link

    def _opened(self) -> sqlite3.Connection:
        link = sqlite3.connect(self.file, isolation_level=None, check_same_thread=False)
        link.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        link.execute("PRAGMA foreign_keys = ON")
        _into_wal(link)
        link.execute("PRAGMA synchronous = FULL")
        modes = [link.execute(f"PRAGMA {x}").fetchone()[0] for x in ("journal_mode", "synchronous")]
        if modes != ["wal", 2]:
            link.close()
            raise StorageError(
                f"{self.file}: the disk refuses a write-ahead log with full sync ({modes}); put "
                "books.folder on a local disk"
            )
        return link

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Lend this thread's connection.

        Raises:
            StorageError: the database refuses.
        """
        try:
            yield self._link()
        except sqlite3.Error as error:
            raise self._told("be read", error) from error

    @contextlib.contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Lend this thread's connection in a transaction: all of it is on disk afterwards, or nothing.

        Raises:
            StorageError: the database refuses.
        """
        link = None
        try:
            link = self._link()
            link.execute("BEGIN IMMEDIATE")
            yield link
            link.execute("COMMIT")
        except sqlite3.Error as error:
            _undo(link)
            raise self._told("be written", error) from error
        except BaseException:
            _undo(link)
            raise

    def copy_to(self, file: Path) -> None:
        """Write a sound copy of the books into a new file, for this user only, while they are in use.

        Raises:
            UserMistake: the file is there.
            StorageError: it cannot be written; nothing is left of it.
        """
        try:
            os.close(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        except FileExistsError:
            raise UserMistake(
                f"{file}: is there already and is never written over; name another file"
            ) from None
        except OSError as error:
            raise StorageError(
                f"{file}: cannot be written: {error.strerror}; name another place"
            ) from error
        try:
            with self.reading() as link, contextlib.closing(sqlite3.connect(file)) as copy:
                link.backup(copy)
                verdict = str(copy.execute("PRAGMA integrity_check(1)").fetchone()[0])
                if verdict != "ok":
                    raise sqlite3.DatabaseError(f"the copy is not sound: {verdict}")
        except BaseException:
            file.unlink(missing_ok=True)
            raise

    def close(self) -> None:
        """Close every connection."""
        with self._lock:
            for link in self._links:
                with contextlib.suppress(sqlite3.Error):
                    link.close()
            self._links.clear()
        self._local = threading.local()


def _undo(link: sqlite3.Connection | None) -> None:
    if link is not None and link.in_transaction:
        with contextlib.suppress(sqlite3.Error):
            link.execute("ROLLBACK")


def _into_wal(link: sqlite3.Connection) -> None:
    """Two that change a new file's mode at once do not wait for each other by SQLite's own patience."""
    end = time.monotonic() + _OPEN_WITHIN_S
    while True:
        try:
            link.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > end:
                raise
            time.sleep(0.02)
