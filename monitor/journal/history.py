"""Samples as rows that a sink takes, behind a cursor of their own, and what is left of them later."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from typing import Any

from monitor.journal.store import Journal
from monitor.records import MinuteRow, Moment, Quality, SampleRow

# So many samples become minutes in one transaction, some 20 ms; then others may write.
_THINNED_AT_ONCE = 2400
_REST_S = 0.02
_ML_PER_H = 3.6e9  # of one m³/s
_MINUTE_COLUMNS = (
    "filter, minute, utc_s, synchronised, samples, flow_samples, flow_ml_per_h, lowest_ml_per_h, "
    "highest_ml_per_h, clean_ml_per_h, temperature_samples, temperature_mc"
)
MINUTES_ASKED = f"SELECT seq, {_MINUTE_COLUMNS} FROM minutes"
SAMPLES_ASKED = (
    "SELECT seq, filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, clean_m3_per_s, "
    "temperature_c, temperature_quality FROM samples"
)


class SampleLedger:
    """The samples of a journal as a dispatcher wants rows: numbered, oldest first.

    Samples and events are numbered apart, so a sink of both has two cursors, under two names.
    """

    def __init__(self, journal: Journal) -> None:
        self._journal = journal

    def entries_after(self, position: int, limit: int) -> list[SampleRow]:
        """Return samples with a number above `position`, oldest first.

        Raises:
            StorageError: the journal cannot be read.
        """
        with self._journal.guarded("read") as link:
            rows = link.execute(
                f"{SAMPLES_ASKED} WHERE seq > ? ORDER BY seq LIMIT ?", (position, limit)
            ).fetchall()
        return [sample_of(row, self._journal.id) for row in rows]

    def cursor(self, sink: str) -> int:
        """Return the number up to which a sink has every sample."""
        return self._journal.cursor(sink)

    def move_cursor(self, sink: str, position: int) -> None:
        """Note that a sink has everything up to and including `position`."""
        self._journal.move_cursor(sink, position)

    def set_aside(self, sink: str, position: int, why: str) -> None:
        """Note a sample that a sink can never take, and let its cursor pass it."""
        self._journal.set_aside(sink, position, why)

    def undelivered(self, sink: str) -> int:
        """Return how many samples a sink has not got yet, at most: dropped ones count.

        The numbers are subtracted and no row is counted, since a month of them may be waiting.
        """
        with self._journal.guarded("read") as link:
            row = link.execute("SELECT MAX(seq) FROM samples").fetchone()
        return max(0, int(row[0] or 0) - self.cursor(sink))


def thin(
    journal: Journal,
    older_than_line_s: float,
    held_after_seq: int | None = None,
    hold_until_line_s: float = -math.inf,
    rest: Callable[[float], None] = time.sleep,
) -> int:
    """Put one row a minute in the place of samples that are old enough; return how many samples went.

    In small transactions with a rest between them, so that the safety loop never waits for long. Only
    whole minutes go. What was cut off in the middle is done by the next call.

    Args:
        journal: whose.
        older_than_line_s: samples before this time go.
        held_after_seq: samples above this number are still owed to a sink and stay ...
        hold_until_line_s: ... unless they are older than this.
        rest: waits between two transactions.

    Raises:
        StorageError: the journal cannot be written; what was done before stands.
    """
    gone = 0
    while True:
        page = SampleLedger(journal).entries_after(0, _THINNED_AT_ONCE)
        end_s = _whole_minutes_s(page, older_than_line_s)
        old = []
        for row in page:  # oldest first: what comes after the first that must stay, stays
            owed = held_after_seq is not None and row.seq > held_after_seq
            if row.moment.line_s >= end_s or (owed and row.moment.line_s >= hold_until_line_s):
                break
            old.append(row)
        if not old:
            return gone
        with journal.guarded("thin out", transaction=True) as link:
            link.executemany(
                f"INSERT INTO minutes ({_MINUTE_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [minute_values(one) for one in minutes_of(old)],
            )
            link.execute("DELETE FROM samples WHERE seq <= ?", (old[-1].seq,))
        gone += len(old)
        rest(_REST_S)


def _whole_minutes_s(page: Sequence[SampleRow], older_than_line_s: float) -> float:
    """Where a page must end: no minute may be split, unless one minute alone fills the page."""
    end_s = 60.0 * math.floor(older_than_line_s / 60.0)
    if len(page) == _THINNED_AT_ONCE:
        last_s = 60.0 * math.floor(page[-1].moment.line_s / 60.0)
        if last_s > page[0].moment.line_s:
            end_s = min(end_s, last_s)
    return end_s


def minutes_of(rows: Sequence[SampleRow]) -> list[MinuteRow]:
    """Return what is left of samples, a row for each minute and filter, in order of their first."""
    found: dict[tuple[int, str], list[SampleRow]] = {}
    for row in rows:
        found.setdefault((math.floor(row.moment.line_s / 60.0), row.filter_id), []).append(row)
    return [_minute(minute, name, part) for (minute, name), part in found.items()]


def _minute(minute: int, name: str, part: Sequence[SampleRow]) -> MinuteRow:
    flows = [r.flow_m3_per_s for r in part if r.flow_m3_per_s is not None]
    warm = [r.temperature_c for r in part if r.temperature_c is not None]
    return MinuteRow(
        0, name, minute, math.floor(part[0].moment.utc_s),
        all(r.moment.synchronised for r in part), len(part), len(flows),
        sum(flows) / len(flows) if flows else None, min(flows, default=None),
        max(flows, default=None), part[-1].clean_m3_per_s, len(warm),
        sum(warm) / len(warm) if warm else None,
    )  # fmt: skip


def minute_values(row: MinuteRow) -> tuple[object, ...]:
    """Return a minute as the table keeps it, in the order of its columns without `seq`."""
    return (
        row.filter_id, row.minute, row.utc_s, row.synchronised, row.samples, row.flow_samples,
        _whole(row.flow_m3_per_s, _ML_PER_H), _whole(row.lowest_m3_per_s, _ML_PER_H),
        _whole(row.highest_m3_per_s, _ML_PER_H), _whole(row.clean_m3_per_s, _ML_PER_H),
        row.temperature_samples, _whole(row.temperature_c, 1000.0),
    )  # fmt: skip


def _whole(value: float | None, factor: float) -> int | None:
    return None if value is None else round(value * factor)


def _part(value: int | None, factor: float) -> float | None:
    return None if value is None else value / factor


def minutes_after(journal: Journal, position: int, limit: int) -> list[MinuteRow]:
    """Return minutes with a number above `position`, oldest first.

    Raises:
        StorageError: the journal cannot be read.
    """
    with journal.guarded("read") as link:
        rows = link.execute(
            f"{MINUTES_ASKED} WHERE seq > ? ORDER BY seq LIMIT ?", (position, limit)
        ).fetchall()
    return [minute_of(row) for row in rows]


def minute_of(row: Sequence[Any]) -> MinuteRow:
    """Return a row that `MINUTES_ASKED` gives as a minute."""
    (
        seq, name, minute, utc_s, synchronised, samples, flow_samples, flow, low, high, clean,
        warm_samples, warm,
    ) = row  # fmt: skip
    return MinuteRow(
        seq, name, minute, utc_s, bool(synchronised), samples, flow_samples,
        _part(flow, _ML_PER_H), _part(low, _ML_PER_H), _part(high, _ML_PER_H),
        _part(clean, _ML_PER_H), warm_samples, _part(warm, 1000.0),
    )  # fmt: skip


def sample_of(row: Sequence[Any], journal_id: str = "") -> SampleRow:
    """Return a row that `SAMPLES_ASKED` gives as a sample."""
    seq, name, line_s, utc_s, synchronised, flow, quality, clean, warm, warm_quality = row
    return SampleRow(
        seq, name, Moment(line_s, utc_s, bool(synchronised)), flow, _quality(quality), clean, warm,
        _quality(warm_quality), journal_id,
    )  # fmt: skip


def drop_minutes(journal: Journal, older_than_line_s: float) -> int:
    """Drop minutes older than a time; return how many.

    Raises:
        StorageError: the journal cannot be written.
    """
    dropped = 0
    while True:
        with journal.guarded("write", transaction=True) as link:
            gone = link.execute(
                "DELETE FROM minutes WHERE seq IN (SELECT seq FROM (SELECT seq, minute FROM minutes "
                "ORDER BY seq LIMIT ?) WHERE minute < ?)",
                (_THINNED_AT_ONCE, math.floor(older_than_line_s / 60.0)),
            ).rowcount
        dropped += max(0, gone)
        if gone < _THINNED_AT_ONCE:
            return dropped


def _quality(text: str) -> Quality:
    """A quality of a newer program is a reason not to trust the value."""
    try:
        return Quality(text)
    except ValueError:
        return Quality.MISSING
