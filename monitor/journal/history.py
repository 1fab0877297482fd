"""Samples as rows that a sink takes, behind a cursor of their own in the same journal."""

from __future__ import annotations

from monitor.journal.store import Journal
from monitor.records import Moment, Quality, SampleRow


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
                "SELECT seq, filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, "
                "clean_m3_per_s, temperature_c, temperature_quality FROM samples WHERE seq > ? "
                "ORDER BY seq LIMIT ?",
                (position, limit),
            ).fetchall()
        return [
            SampleRow(
                seq,
                name,
                Moment(line_s, utc_s, bool(synchronised)),
                flow,
                _quality(quality),
                clean,
                warm,
                _quality(warm_quality),
            )
            for seq, name, line_s, utc_s, synchronised, flow, quality, clean, warm, warm_quality in rows
        ]

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


def _quality(text: str) -> Quality:
    """A quality of a newer program is a reason not to trust the value."""
    try:
        return Quality(text)
    except ValueError:
        return Quality.MISSING
