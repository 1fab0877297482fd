"""When the journal's file gives back other bytes than were written: tell it, keep it, take along what is owed."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from monitor.errors import StorageError

# SQLite's result codes for a damaged file and for one that is no database at all
# (https://www.sqlite.org/rescode.html).
_CORRUPT, _NOT_A_DATABASE = 11, 26
_MOST_OWED = 10_000
_ALONE_WITHIN_S = 5.0

Row = tuple[Any, ...]


def is_damage(error: sqlite3.Error) -> bool:
    """Return whether an error says that the file is damaged, not merely that it cannot be used now."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (_CORRUPT, _NOT_A_DATABASE)


class Owed(NamedTuple):
    """What a damaged file still gives of what somebody waits for, as rows for the new one."""

    events: Sequence[Row] = ()
    orders: Sequence[Row] = ()


def owed(link: sqlite3.Connection, done: Collection[int]) -> Owed:
    """Return the events that some sink has not got yet, and the orders not yet carried out.

    Args:
        link: to the damaged file.
        done: orders that are carried out though the file does not say so.
    """
    events = _readable(
        link,
        "SELECT run, filter, line_s, utc_s, synchronised, body FROM events "
        "WHERE seq > (SELECT COALESCE(MIN(position), 0) FROM cursors) ORDER BY seq",
    )
    orders = _readable(
        link, "SELECT seq, made_utc_s, body FROM orders WHERE done_utc_s IS NULL ORDER BY seq"
    )
    return Owed(events, [row[1:] for row in orders if row[0] not in done])


def _readable(link: sqlite3.Connection, query: str) -> list[Row]:
    """The rows up to the first that cannot be read."""
    found: list[Row] = []
    with contextlib.suppress(sqlite3.Error):
        for row in link.execute(f"{query} LIMIT {_MOST_OWED}"):
            found.append(row)  # one by one: what came before an error is kept
    return found


def keep_aside(file: Path, why: Exception) -> Path:
    """Give a damaged file and what belongs to it another name, and return that.

    Raises:
        StorageError: the folder cannot be written.
    """
    kept = file.with_name(f"damaged-{time.time_ns()}.sqlite")
    try:
        for suffix in ("", "-wal", "-shm"):
            part = Path(f"{file}{suffix}")
            if part.exists():
                part.rename(f"{kept}{suffix}")
    except OSError as trouble:
        raise StorageError(
            f"{file}: damaged ({why}) and cannot be set aside: {trouble.strerror}"
        ) from trouble
    return kept


class Gate:
    """Many threads pass at a time; or one alone, when no other is inside.

    SQLite names the write-ahead log by the path of its file, so a file must not be renamed while some
    connection to it is open.
    """

    def __init__(self) -> None:
        self._inside = 0
        self._closed = False
        self._changed = threading.Condition()

    @contextlib.contextmanager
    def passing(self) -> Iterator[None]:
        """Be inside with others."""
        with self._changed:
            self._changed.wait_for(lambda: not self._closed)
            self._inside += 1
        try:
            yield
        finally:
            with self._changed:
                self._inside -= 1
                self._changed.notify_all()

    @contextlib.contextmanager
    def alone(self) -> Iterator[None]:
        """Be inside alone.

        Raises:
            StorageError: another thread does not come out.
        """
        with self._changed:
            self._closed = True
            free = self._changed.wait_for(lambda: self._inside == 0, _ALONE_WITHIN_S)
            if not free:
                self._closed = False
                self._changed.notify_all()
                raise StorageError("the journal is in use by another thread; it is tried again")
        try:
            yield
        finally:
            with self._changed:
                self._closed = False
                self._changed.notify_all()
