"""The last hours of every filter as means over equal stretches, for a picture of a glance."""

from __future__ import annotations

import sqlite3

from monitor.journal.store import Journal

Means = list[tuple[float | None, float | None]]


def recent_means(journal: Journal, end_utc_s: float, span_s: float, bins: int) -> dict[str, Means]:
    """Return mean flow in m³/s and mean temperature in °C of each stretch, oldest first, by filter.

    A stretch is half open, start <= t < end, the last one ends at `end_utc_s`; where it has no
    trustworthy value, that is `None`.

    Raises:
        StorageError: the journal cannot be read.
    """
    began_s, width_s = end_utc_s - span_s, span_s / bins
    with journal.guarded("read") as link:
        rows = link.execute(
            "SELECT filter, CAST((utc_s - ?) / ? AS INTEGER), AVG(flow_m3_per_s), AVG(temperature_c) "
            "FROM samples WHERE seq >= ? AND utc_s >= ? AND utc_s < ? GROUP BY 1, 2",
            (began_s, width_s, _first_seq(link, span_s), began_s, end_utc_s),
        ).fetchall()
    found: dict[str, Means] = {}
    for name, place, flow, warm in rows:
        means = found.setdefault(name, [(None, None)] * bins)
        means[min(place, bins - 1)] = (flow, warm)
    return found


def _first_seq(link: sqlite3.Connection, span_s: float) -> int:
    """The number of the first sample of the last `span_s` seconds of the line, by halving: no index."""
    low, high, last_s = link.execute(
        "SELECT (SELECT MIN(seq) FROM samples), (SELECT MAX(seq) FROM samples), "
        "(SELECT line_s FROM samples ORDER BY seq DESC LIMIT 1)"
    ).fetchone()
    if low is None:
        return 0
    while low < high:
        middle = (low + high) // 2
        row = link.execute(
            "SELECT line_s FROM samples WHERE seq >= ? ORDER BY seq LIMIT 1", (middle,)
        ).fetchone()
        if row[0] < last_s - span_s:
            low = middle + 1
        else:
            high = middle
    return int(low)
