"""A journal seen by a process that only looks: it never holds up the daemon, and owns no file of it.

Its connections are opened for reading, so that the last of them to close never takes SQLite's log away
from a daemon that has begun the file anew (see `monitor.journal.damage`). An order is put down by a
connection that lives for just that.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable, Sequence

import msgspec

from monitor.errors import StorageError
from monitor.journal.schema import VERSION
from monitor.journal.store import Journal
from monitor.records import Entry, EventKind, Moment, Order

_BUSY_MS = 2000
_DEEDS = (EventKind.CLEANED, EventKind.CLEANED_UNDONE)
_ORDERS_KEPT_OPEN = 200


class Onlooker(Journal):
    """Reads the journal in a folder, also after the daemon has put another file in its place.

    Raises:
        StorageError: there is no journal, it cannot be read, or it is of another version.
    """

    def _prepare(self) -> None:
        if not self.file.is_file():
            raise StorageError(
                f"{self.file}: no journal yet; start canister run, or set storage.folder to where it is"
            )
        with self.guarded("read") as link:
            found = int(link.execute("PRAGMA user_version").fetchone()[0])
        if found != VERSION:
            said = "a newer" if found > VERSION else "an older"
            raise StorageError(
                f"{self.file}: written by {said} canister (version {found} of {VERSION}); let "
                "canister run and this be of one installation, and start both again"
            )

    def _identity(self) -> str:
        with self.guarded("read") as link:
            row = link.execute("SELECT value FROM about WHERE name = 'id'").fetchone()
        return "" if row is None else str(row[0])

    def _link(self) -> sqlite3.Connection:
        place = _inode(self)
        link: sqlite3.Connection | None = getattr(self._local, "link", None)
        if link is not None and self._local.place == place:
            return link
        if link is not None:
            self._forget(link)
        link = sqlite3.connect(
            f"{self.file.resolve().as_uri()}?mode=ro",
            uri=True,
            isolation_level=None,
            check_same_thread=False,
        )
        link.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        self._local.link, self._local.place = link, place
        with self._links_lock:
            self._links.append(link)
        return link

    def _forget(self, link: sqlite3.Connection) -> None:
        with self._links_lock:
            self._links.remove(link)
        link.close()
        self._local.link = None
        self._local.version = None

    def _put_aside(self, sink: str, seq: int, why: str) -> bool:
        """What cannot be read is the daemon's to note."""
        return False

    def order(self, order: Order, made_utc_s: float | None = None) -> int:
        """Put down an order for the daemon and return its number.

        Raises:
            StorageError: it could not be written, or too many wait already for a daemon.
        """
        try:
            with contextlib.closing(sqlite3.connect(self.file, isolation_level=None)) as link:
                link.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
                link.execute("PRAGMA synchronous = FULL")
                waiting = link.execute(
                    "SELECT COUNT(*) FROM orders WHERE done_utc_s IS NULL"
                ).fetchone()
                if waiting[0] >= _ORDERS_KEPT_OPEN:
                    raise StorageError(
                        f"{self.file}: {waiting[0]} orders wait already; start canister run"
                    )
                made = link.execute(
                    "INSERT INTO orders (made_utc_s, body) VALUES (?, ?)",
                    (
                        time.time() if made_utc_s is None else made_utc_s,
                        msgspec.json.encode(order).decode(),
                    ),
                )
                return int(made.lastrowid or 0)
        except sqlite3.Error as error:
            raise StorageError(
                f"{self.file}: cannot write: {error}; look at the disk's free space and health, and "
                "let the page run as the daemon's user"
            ) from error

    def state_moments(self) -> dict[str, Moment]:
        """Return when each saved state was of."""
        with self.guarded("read") as link:
            rows = link.execute(
                "SELECT name, line_s, utc_s FROM states WHERE line_s IS NOT NULL"
            ).fetchall()
        return {name: Moment(float(line_s), float(utc_s)) for name, line_s, utc_s in rows}

    def last_flow_utc_s(self, filter_id: str) -> float | None:
        """Return when a filter's flow was last known, as far as whole samples tell; `None` for never."""
        with self.guarded("read") as link:
            row = link.execute(
                "SELECT utc_s FROM samples WHERE filter = ? AND flow_m3_per_s IS NOT NULL "
                "ORDER BY seq DESC LIMIT 1",
                (filter_id,),
            ).fetchone()
        return None if row is None else float(row[0])

    def deeds_and_stops(self, filter_id: str, since_utc_s: float, limit: int) -> list[Entry]:
        """Return a filter's newest cleanings and what happened to its stops, oldest first."""
        wanted = [f'%"event":"{kind}"%' for kind in _DEEDS]
        with self.guarded("read") as link:
            rows = link.execute(
                "SELECT seq, run, synchronised, body FROM events WHERE filter = ? AND utc_s >= ? "
                'AND (body LIKE ? OR body LIKE ? OR body LIKE \'%"alarm":"flow-stopped"%\') '
                "ORDER BY seq DESC LIMIT ?",
                (filter_id, since_utc_s, *wanted, limit),
            ).fetchall()
        return self._readable(rows[::-1])

    def last_deed(self, filter_id: str) -> Entry | None:
        """Return the newest cleaning of a filter, or the taking back of one; `None` for none."""
        with self.guarded("read") as link:
            rows = link.execute(
                "SELECT seq, run, synchronised, body FROM events WHERE filter = ? AND "
                "(body LIKE ? OR body LIKE ?) ORDER BY seq DESC LIMIT 1",
                (filter_id, *(f'%"event":"{kind}"%' for kind in _DEEDS)),
            ).fetchall()
        found = self._readable(rows)
        return found[0] if found else None


def _inode(journal: Journal) -> tuple[int, int]:
    try:
        found = journal.file.stat()
    except OSError as error:
        raise StorageError(f"{journal.file}: {error.strerror}; start canister run") from error
    return found.st_dev, found.st_ino


class Course:
    """One stretch of a filter's history, in so many equal steps of the wall clock.

    Every list has one value for each step that has any: its middle, flows in m³/s, °C. `running` is the
    mean flow of the time that water moved.
    """

    __slots__ = ("clean", "flow", "highest", "lowest", "running", "temperature", "utc_s")

    def __init__(self, rows: Sequence[Sequence[float | None]]) -> None:
        self.utc_s = [float(row[0] or 0.0) for row in rows]
        self.flow, self.lowest, self.highest, self.clean, self.temperature, self.running = (
            [row[n] for row in rows] for n in range(1, 7)
        )


_ML_PER_H = 3.6e9
_RUNS = 0.05  # of clean flow: below, water stands
_STEP = "CAST((utc_s - :since) / :step AS INTEGER)"
_OF_MINUTES = f"""
SELECT {_STEP}, SUM(flow_samples), SUM(flow_ml_per_h * flow_samples) / {_ML_PER_H},
    MIN(lowest_ml_per_h) / {_ML_PER_H}, MAX(highest_ml_per_h) / {_ML_PER_H},
    AVG(clean_ml_per_h) / {_ML_PER_H}, SUM(temperature_samples),
    SUM(temperature_mc * temperature_samples) / 1000.0,
    SUM(CASE WHEN flow_ml_per_h > {_RUNS} * clean_ml_per_h THEN flow_samples END),
    SUM(CASE WHEN flow_ml_per_h > {_RUNS} * clean_ml_per_h THEN flow_ml_per_h * flow_samples END)
        / {_ML_PER_H}
FROM minutes WHERE seq >= :first AND filter = :filter AND utc_s >= :since AND utc_s < :until GROUP BY 1
"""
_OF_SAMPLES = f"""
SELECT {_STEP}, COUNT(flow_m3_per_s), SUM(flow_m3_per_s), MIN(flow_m3_per_s), MAX(flow_m3_per_s),
    AVG(clean_m3_per_s), COUNT(temperature_c), SUM(temperature_c),
    COUNT(CASE WHEN flow_m3_per_s > {_RUNS} * clean_m3_per_s THEN 1 END),
    SUM(CASE WHEN flow_m3_per_s > {_RUNS} * clean_m3_per_s THEN flow_m3_per_s END)
FROM samples WHERE seq >= :first AND filter = :filter AND utc_s >= :since AND utc_s < :until GROUP BY 1
"""


def course(
    journal: Journal, filter_id: str, since_utc_s: float, until_utc_s: float, steps: int
) -> Course:
    """Return a filter's history between two times of the wall clock.

    Args:
        journal: whose.
        filter_id: which filter.
        since_utc_s, until_utc_s: from, and up to but without.
        steps: into how many the span is divided.

    Raises:
        StorageError: the journal cannot be read.
    """
    step_s = (until_utc_s - since_utc_s) / steps
    found: dict[int, list[float | None]] = {}
    with journal.guarded("read") as link:
        for table, query in (("minutes", _OF_MINUTES), ("samples", _OF_SAMPLES)):
            first = _first_since(link, table, since_utc_s)
            values = {
                "since": since_utc_s, "until": until_utc_s, "step": step_s, "filter": filter_id,
                "first": first,
            }  # fmt: skip
            for row in link.execute(query, values):
                found[row[0]] = _joined(found.get(row[0]), row)
    return Course(
        [
            (
                since_utc_s + (n + 0.5) * step_s,
                _mean(row[2], row[1]), row[3], row[4], row[5], _mean(row[7], row[6]),
                _mean(row[9], row[8]),
            )
            for n, row in sorted(found.items())
        ]
    )  # fmt: skip


def _first_since(link: sqlite3.Connection, table: str, since_utc_s: float) -> int:
    """The number of the first row of a time, by halving: rows are numbered as time goes on.

    The wall clock may step, so the rows are judged by their own time all the same.
    """
    low, high = link.execute(f"SELECT MIN(seq), MAX(seq) FROM {table}").fetchone()
    if low is None:
        return 0
    while low < high:
        middle = (low + high) // 2
        row = link.execute(
            f"SELECT seq, utc_s FROM {table} WHERE seq >= ? ORDER BY seq LIMIT 1", (middle,)
        ).fetchone()
        if row[1] < since_utc_s:
            low = row[0] + 1
        else:
            high = middle
    return int(low)


def _joined(old: list[float | None] | None, row: Sequence[float | None]) -> list[float | None]:
    """Two parts of one step: sums added, the extremes of both, the newer clean flow."""
    if old is None:
        return list(row)
    both = list(row)
    for n in (1, 2, 6, 7, 8, 9):
        both[n] = _of((old[n], row[n]), sum)
    both[3], both[4] = _of((old[3], row[3]), min), _of((old[4], row[4]), max)
    both[5] = row[5] if row[5] is not None else old[5]
    return both


def _of(values: Sequence[float | None], how: Callable[[list[float]], float]) -> float | None:
    known = [v for v in values if v is not None]
    return how(known) if known else None


def _mean(total: float | None, count: float | None) -> float | None:
    return None if not count or total is None else total / count
