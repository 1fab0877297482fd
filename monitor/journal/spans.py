"""What the journal says of a span of the wall clock, read in one pass."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.journal.history import MINUTES_ASKED, SAMPLES_ASKED, minute_of, minutes_of, sample_of
from monitor.journal.store import Journal
from monitor.records import Event, MinuteRow, SampleRow

_ROWS_AT_ONCE = 2400


def minutes_between(journal: Journal, start_utc_s: float, end_utc_s: float) -> Iterator[MinuteRow]:
    """Return the minutes of a span, start <= t < end, then its samples as minutes, filters mixed.

    All as of one moment, so that what is thinned out meanwhile is neither missed nor counted twice. A
    minute that is cut by a page comes in two rows.

    Raises:
        StorageError: the journal cannot be read.
    """
    span = " WHERE utc_s >= ? AND utc_s < ? ORDER BY seq"
    with journal.guarded("read") as link:
        link.execute("BEGIN")
        try:
            for row in link.execute(MINUTES_ASKED + span, (start_utc_s, end_utc_s)):
                yield minute_of(row)
            page: list[SampleRow] = []
            for row in link.execute(SAMPLES_ASKED + span, (start_utc_s, end_utc_s)):
                page.append(sample_of(row))
                if len(page) == _ROWS_AT_ONCE:
                    yield from minutes_of(page)
                    page = []
            yield from minutes_of(page)
        finally:
            link.execute("ROLLBACK")


def events_since(journal: Journal, utc_s: float) -> list[Event]:
    """Return every event since a time, oldest first.

    Raises:
        StorageError: the journal cannot be read.
    """
    with journal.guarded("read") as link:
        row = link.execute("SELECT MIN(seq) FROM events WHERE utc_s >= ?", (utc_s,)).fetchone()
    if row[0] is None:
        return []
    position, found = int(row[0]) - 1, []
    while entries := journal.entries_after(position, _ROWS_AT_ONCE):
        found += [entry.event for entry in entries]
        position = entries[-1].seq
    return found


def first_utc_s(journal: Journal) -> float | None:
    """Return the time of the oldest row of any kind, `None` for an empty journal.

    Raises:
        StorageError: the journal cannot be read.
    """
    with journal.guarded("read") as link:
        row = link.execute(
            "SELECT MIN(utc_s) FROM (SELECT * FROM (SELECT utc_s FROM minutes ORDER BY seq LIMIT 1) "
            "UNION ALL SELECT * FROM (SELECT utc_s FROM samples ORDER BY seq LIMIT 1) "
            "UNION ALL SELECT * FROM (SELECT utc_s FROM events ORDER BY seq LIMIT 1))"
        ).fetchone()
    return None if row[0] is None else float(row[0])
