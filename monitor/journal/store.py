"""What stands in the journal: samples, events, states, orders and cursors, written and read.

One thread writes samples, events and states; others read and move their own cursor. What is dropped
when stands in pruning.py, what becomes minutes in history.py; file.py keeps the file itself.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from typing import Any

import msgspec

from monitor.journal import pruning, setting_right
from monitor.journal.file import INSERT_EVENT, JournalFile
from monitor.journal.packing import packed, unpacked
from monitor.records import Entry, Event, Moment, Order, Sample

_log = logging.getLogger(__name__)


class Journal(JournalFile):
    """The journal in one folder: its file, and what is written into it and read out of it.

    Arguments and errors are those of its file.
    """

    def record(
        self,
        now: Moment,
        events: Sequence[Event] = (),
        samples: Sequence[Sample] = (),
        states: dict[str, bytes] | None = None,
        answers: Sequence[tuple[int, str]] = (),
    ) -> None:
        """Write all of it in one transaction, on disk when this returns.

        Args:
            now: the moment that states are saved for.
            events: in the order they happened.
            samples: telemetry since the last call.
            states: what must survive a restart, by name.
            answers: sequence number and answer of each order that is done.

        Raises:
            StorageError: nothing of it was written.
        """
        with self.guarded("write", transaction=True) as link:
            link.executemany(
                INSERT_EVENT,
                [
                    (self.run, e.filter_id, e.line_s, e.utc_s, now.synchronised, _text(e))
                    for e in events
                ],
            )
            link.executemany(
                "INSERT INTO samples (filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, "
                "clean_m3_per_s, temperature_c, temperature_quality) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        s.seen.filter_id,
                        s.moment.line_s,
                        s.moment.utc_s,
                        s.moment.synchronised,
                        s.seen.flow_m3_per_s,
                        s.seen.flow_quality,
                        s.seen.clean_m3_per_s,
                        s.seen.temperature_c,
                        s.seen.temperature_quality,
                    )
                    for s in samples
                ],
            )
            link.executemany(
                "INSERT INTO states VALUES (?, ?, ?, ?) ON CONFLICT (name) DO UPDATE SET "
                "body = excluded.body, line_s = excluded.line_s, utc_s = excluded.utc_s",
                [(n, packed(b), now.line_s, now.utc_s) for n, b in (states or {}).items()],
            )
            link.executemany(
                "UPDATE orders SET done_utc_s = ?, answer = ? WHERE seq = ?",
                [(now.utc_s, answer, seq) for seq, answer in answers],
            )

    def states(self) -> dict[str, bytes]:
        """Return every saved state by name."""
        with self.guarded("read") as link:
            rows = link.execute("SELECT name, body FROM states").fetchall()
        return {name: unpacked(body) for name, body in rows}

    def keep(self, name: str, body: bytes) -> None:
        """Keep something of a sink's own under a name, over restarts."""
        with self.guarded("write", transaction=True) as link:
            link.execute(
                "INSERT OR REPLACE INTO states VALUES (?, ?, NULL, NULL)", (name, body.decode())
            )

    def kept(self, name: str) -> bytes | None:
        """Return what was kept under a name, `None` for nothing."""
        with self.guarded("read") as link:
            row = link.execute("SELECT body FROM states WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0]).encode()

    def saved_at(self) -> Moment | None:
        """Return the latest moment on record, `None` for a new journal."""
        with self.guarded("read") as link:
            row = link.execute(
                "SELECT line_s, utc_s FROM (SELECT line_s, utc_s FROM states WHERE line_s IS NOT NULL UNION ALL "
                "SELECT line_s, utc_s FROM (SELECT line_s, utc_s FROM events ORDER BY seq DESC LIMIT 1) "
                "UNION ALL SELECT line_s, utc_s FROM "
                "(SELECT line_s, utc_s FROM samples ORDER BY seq DESC LIMIT 1) UNION ALL SELECT line_s, utc_s "
                "FROM (SELECT 60.0 * minute AS line_s, utc_s FROM minutes ORDER BY seq DESC LIMIT 1)) "
                "ORDER BY line_s DESC LIMIT 1"
            ).fetchone()
        return None if row is None else Moment(float(row[0]), float(row[1]))

    def entries_after(self, position: int, limit: int) -> list[Entry]:
        """Return events with a sequence number above `position`, oldest first.

        A row that cannot be read, as one of a newer program, is told and passed over.
        """
        while True:
            with self.guarded("read") as link:
                rows = link.execute(
                    "SELECT seq, run, synchronised, body FROM events WHERE seq > ? "
                    "ORDER BY seq LIMIT ?",
                    (position, limit),
                ).fetchall()
            found = self._readable(rows)
            if found or not rows:
                return found
            position = rows[-1][0]

    def _readable(self, rows: Sequence[tuple[int, str, int, str]]) -> list[Entry]:
        """The rows as events; what cannot be read is set aside for everybody, and told once."""
        found = []
        for seq, run, sync, body in rows:
            try:
                found.append(Entry(seq, run, bool(sync), _event(body), self.id))
            except msgspec.DecodeError as error:
                if self._put_aside("", seq, f"cannot be read: {error}"):
                    _log.warning(
                        "event %d of the journal cannot be read and is passed over: %s", seq, error
                    )
        return found

    def set_aside(self, sink: str, position: int, why: str) -> None:
        """Keep an event that a sink can never take, and let its cursor pass it."""
        self._put_aside(sink, position, why)
        self.move_cursor(sink, position)

    def _put_aside(self, sink: str, seq: int, why: str) -> bool:
        """Note it; return whether that is new."""
        with self.guarded("write", transaction=True) as link:
            made = link.execute(
                "INSERT OR IGNORE INTO aside VALUES (?, ?, ?, ?)", (sink, seq, time.time(), why)
            )
        return made.rowcount > 0

    def aside(self) -> list[tuple[str, int, str]]:
        """Return sink, number and reason of every event that was set aside."""
        with self.guarded("read") as link:
            rows = link.execute("SELECT sink, seq, why FROM aside ORDER BY sink, seq").fetchall()
        return [(str(sink), int(seq), str(why)) for sink, seq, why in rows]

    def counts(self) -> dict[str, int]:
        """Return how many rows of each kind were dropped to stay within the bounds."""
        with self.guarded("read") as link:
            return dict(link.execute("SELECT name, number FROM counts").fetchall())

    def last_sequence(self) -> int:
        """Return the number of the newest event, 0 for none; numbers of dropped events count."""
        with self.guarded("read") as link:
            row = link.execute("SELECT seq FROM sqlite_sequence WHERE name = 'events'").fetchone()
        return 0 if row is None else int(row[0])

    def last_entries(self, limit: int) -> list[Entry]:
        """Return the newest events, oldest of them first."""
        with self.guarded("read") as link:
            rows = link.execute(
                "SELECT seq, run, synchronised, body FROM events ORDER BY seq DESC LIMIT ?",
                (limit,),
            ).fetchall()
        return self._readable(rows[::-1])

    def cursor(self, sink: str) -> int:
        """Return the sequence number up to which a sink has everything."""
        with self.guarded("read") as link:
            row = link.execute("SELECT position FROM cursors WHERE sink = ?", (sink,)).fetchone()
        return 0 if row is None else int(row[0])

    def begin_cursor(self, sink: str) -> None:
        """Let a sink that has never had anything begin with what comes from now on."""
        with self.guarded("write", transaction=True) as link:
            link.execute(
                "INSERT OR IGNORE INTO cursors SELECT ?, COALESCE(MAX(seq), 0) FROM events", (sink,)
            )

    def move_cursor(self, sink: str, position: int) -> None:
        """Note that a sink has everything up to and including `position`."""
        with self.guarded("write", transaction=True) as link:
            link.execute("INSERT OR REPLACE INTO cursors VALUES (?, ?)", (sink, position))

    def undelivered(self, sink: str) -> int:
        """Return how many events a sink has not got yet."""
        with self.guarded("read") as link:
            row = link.execute(
                "SELECT COUNT(*) FROM events WHERE seq > "
                "COALESCE((SELECT position FROM cursors WHERE sink = ?), 0) "
                "AND seq NOT IN (SELECT seq FROM aside WHERE sink = '')",
                (sink,),
            ).fetchone()
        return int(row[0])

    def order(self, order: Order, made_utc_s: float | None = None) -> int:
        """Put down an order for the daemon, as of now or of a time, and return its number."""
        with self.guarded("write", transaction=True) as link:
            made = link.execute(
                "INSERT INTO orders (made_utc_s, body) VALUES (?, ?)",
                (
                    time.time() if made_utc_s is None else made_utc_s,
                    msgspec.json.encode(order).decode(),
                ),
            )
            return int(made.lastrowid or 0)

    def open_orders(self) -> list[tuple[int, Order | None, float]]:
        """Return the orders not yet done, oldest first, and the wall clock when they were put down.

        `None` stands for one that cannot be read.
        """
        with self.guarded("read") as link:
            rows = link.execute(
                "SELECT seq, body, made_utc_s FROM orders WHERE done_utc_s IS NULL ORDER BY seq"
            ).fetchall()
        found: list[tuple[int, Order | None, float]] = []
        for seq, body, made_utc_s in rows:
            try:
                order = msgspec.json.decode(body, type=Order)
            except msgspec.DecodeError:
                order = None
            found.append((int(seq), order, float(made_utc_s)))
        return found

    def answer(self, seq: int) -> str | None:
        """Return the answer to an order, `None` while it is open."""
        with self.guarded("read") as link:
            row = link.execute("SELECT answer FROM orders WHERE seq = ?", (seq,)).fetchone()
        return None if row is None or row[0] is None else str(row[0])

    def used_bytes(self) -> int:
        """Return how large the file is without the pages that are free in it.

        Raises:
            StorageError: the journal cannot be read.
        """
        with self.guarded("read") as link:
            return pruning.used_bytes(link)

    def prune(
        self, older_than_line_s: float, max_bytes: int, sinks: Sequence[str] | None = None
    ) -> int:
        """Drop samples older than a time, then the oldest until the file fits; return how many.

        Minutes go after samples. Only when neither is left and the file is still too large do events
        go: observations first, then the oldest. What one of the `sinks` has not got yet is never dropped, and with
        `None` no event is. What went for its size is counted. Rows go in pages, so that no other
        writer waits for long.
        """
        owed = 0 if sinks is None else min((self.cursor(s) for s in sinks), default=2**62)
        dropped = 0
        while True:
            with self.guarded("write", transaction=True) as link:
                gone = pruning.one_page(link, older_than_line_s, max_bytes, owed)
            dropped += gone
            if gone == 0:
                return dropped

    def set_right(self, now: Moment, since_line_s: float, filters: Sequence[str]) -> int:
        """Give what this run recorded by a clock that was not set its right time; return how many.

        `now` is a moment whose time is right, `since_line_s` where the run began. Rows go in pages, as
        in `prune`; what was delivered before keeps the time, and the remark, that it went out with.
        """
        found, left = 0, [*filters]
        while True:
            with self.guarded("write", transaction=True) as link:
                done = setting_right.events_page(link, self.run, now)
                if not done and left:
                    done = setting_right.samples_page(link, left[0], since_line_s, now)
                    left = left if done else left[1:]
            found += done
            if not done and not left:
                return found


def _text(value: Any) -> str:
    return msgspec.json.encode(value).decode()


def _event(body: str) -> Event:
    return msgspec.json.decode(body, type=Event)
