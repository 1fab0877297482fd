"""The journal's file: its connections, and what is done when it is damaged.

Every connection is WAL with synchronous FULL. Each thread has one of its own.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
import uuid
from collections.abc import Collection, Iterator
from pathlib import Path

from monitor.errors import StorageError
from monitor.journal import damage
from monitor.journal.schema import NewerJournalError, bring_up

FILE_NAME = "journal.sqlite"
INSERT_EVENT = (
    "INSERT INTO events (run, filter, line_s, utc_s, synchronised, body) VALUES (?, ?, ?, ?, ?, ?)"
)
_log = logging.getLogger(__name__)
_BUSY_MS = 5000


class JournalFile:
    """The file in one folder, without what stands in it.

    `damaged` is what told, in any thread, that the file is not what was written; `mended` says what
    was done about that.

    Args:
        folder: where it is; made if need be.
        run: names this run of the daemon; `None` makes one up.
        mend: a damaged file is set aside and a new one begun. Only the daemon may: SQLite's files must
            not be renamed under whoever uses them.

    Raises:
        StorageError: the folder cannot be used, the journal belongs to a newer program, or it is
            damaged and not to be mended.
    """

    def __init__(self, folder: Path, run: str | None = None, mend: bool = True) -> None:
        self.folder = folder
        self.file = folder / FILE_NAME
        self.run = run if run is not None else uuid.uuid4().hex[:12]
        self.mended: str | None = None
        self.damaged: Exception | None = None
        self._local = threading.local()
        self._links: list[sqlite3.Connection] = []
        self._links_lock = threading.Lock()
        self._gate = damage.Gate()
        self._owed: damage.Owed | None = None
        self._mend = mend
        self._prepare()
        self.id = self._identity()

    def _prepare(self) -> None:
        make(self.folder)
        try:
            self._open_checked()
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError) and "malformed" not in str(error):
                raise StorageError(
                    f"{self.file}: {error}; look at its owner and the disk"
                ) from error
            if not self._mend:
                raise StorageError(
                    f"{self.file}: damaged ({error}); canister run sets it aside and begins a new one"
                ) from error
            self._set_aside(error)
            self._open_checked()
        except NewerJournalError as error:
            raise StorageError(
                f"{self.file}: written by a newer canister ({error}); upgrade canister, or name "
                "another storage.folder"
            ) from error

    def _open_checked(self) -> None:
        link = self._link()
        verdict = link.execute("PRAGMA quick_check(1)").fetchone()[0]
        if verdict != "ok":
            raise sqlite3.DatabaseError(f"malformed: {verdict}")
        bring_up(link)

    def _set_aside(self, error: Exception) -> None:
        """Nothing recorded is deleted: a damaged journal is kept under another name."""
        self.close()
        kept = damage.keep_aside(self.file, error)
        self.mended = (
            f"{self.file} was damaged ({error}); it is kept as {kept.name}, a new one begun"
        )
        _log.error("%s", self.mended)

    def begin_anew(self, done: Collection[int] = ()) -> None:
        """Set aside a file that was found damaged in use, and go on in a new one with an id of its own.

        Events that some sink has not got yet and orders not yet carried out are taken along, as far as
        they can be read.

        Args:
            done: numbers of orders that are carried out though the file does not say so.

        Raises:
            StorageError: not possible now; to be called again.
        """
        why = self.damaged if self.damaged is not None else StorageError("damaged")
        with self._gate.alone():
            with contextlib.suppress(sqlite3.Error, StorageError):
                self._owed = self._owed or damage.owed(self._link(), done)
            self._set_aside(why)
            self._prepare()
        self.id = self._identity()
        along = self._owed or damage.Owed()
        with self.guarded("write", transaction=True) as link:
            link.executemany(INSERT_EVENT, along.events)
            link.executemany("INSERT INTO orders (made_utc_s, body) VALUES (?, ?)", along.orders)
        if along.events or along.orders:
            _log.info("taken along: %d events, %d orders", len(along.events), len(along.orders))
        self._owed, self.damaged = None, None

    def _link(self) -> sqlite3.Connection:
        link: sqlite3.Connection | None = getattr(self._local, "link", None)
        if link is None:
            link = sqlite3.connect(self.file, isolation_level=None, check_same_thread=False)
            link.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
            link.execute("PRAGMA journal_mode = WAL")
            link.execute("PRAGMA synchronous = FULL")
            modes = (
                link.execute("PRAGMA journal_mode").fetchone()[0],
                link.execute("PRAGMA synchronous").fetchone()[0],
            )
            if modes != ("wal", 2):
                link.close()
                raise StorageError(
                    f"{self.file}: the disk refuses a write-ahead log with full sync ({modes}); "
                    "put storage.folder on a local disk"
                )
            self._local.link = link
            with self._links_lock:
                self._links.append(link)
        return link

    def _identity(self) -> str:
        with self.guarded("read") as link:
            row = link.execute("SELECT value FROM about WHERE name = 'id'").fetchone()
            if row is None:
                made = uuid.uuid4().hex[:12]
                link.execute("INSERT INTO about VALUES ('id', ?)", (made,))
                return made
            return str(row[0])

    @contextlib.contextmanager
    def guarded(self, doing: str, transaction: bool = False) -> Iterator[sqlite3.Connection]:
        """Lend this thread's connection to this room; in one transaction, if wanted.

        Raises:
            StorageError: the database refuses; what the transaction did is undone.
        """
        with self._gate.passing():
            try:
                link = self._link()
                if transaction:
                    link.execute("BEGIN IMMEDIATE")
                yield link
                if transaction:
                    link.execute("COMMIT")
            except sqlite3.Error as error:
                self._roll_back()
                if damage.is_damage(error):
                    self.damaged = error
                raise StorageError(
                    f"{self.file}: cannot {doing}: {error}; look at the disk's free space and health"
                ) from error
            except BaseException:
                self._roll_back()
                raise

    def check(self) -> None:
        """Look through the whole file; what is damaged is noted and mended with the next commit.

        Pages that nobody reads or writes tell nothing by themselves.

        Raises:
            StorageError: it is damaged, or cannot be read.
        """
        with self.guarded("read") as link:
            verdict = str(link.execute("PRAGMA quick_check(1)").fetchone()[0])
            if verdict != "ok":
                raise sqlite3.DatabaseError(f"malformed: {verdict}")

    def _roll_back(self) -> None:
        link: sqlite3.Connection | None = getattr(self._local, "link", None)
        if link is not None and link.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                link.execute("ROLLBACK")

    def changed(self) -> bool:
        """Return whether another connection has written since the last call in this thread."""
        with self.guarded("read") as link:
            version = link.execute("PRAGMA data_version").fetchone()[0]
        before = getattr(self._local, "version", None)
        self._local.version = version
        return bool(version != before)

    def close(self) -> None:
        """Close every connection."""
        with self._links_lock:
            for link in self._links:
                link.close()
            self._links = []
        self._local = threading.local()


def make(folder: Path) -> None:
    """Make the journal's folder, if it is not there.

    Raises:
        StorageError: it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            f"{folder}: cannot be made: {error.strerror}; make it, writable for the user "
            "that runs canister, or set storage.folder"
        ) from error
