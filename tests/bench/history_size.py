"""Bytes of a journal with two years of minutes and two days of seconds, of one filter with a probe.

Minutes are made by the real thinning, of seconds that wander as a filter's do: three days of seconds
become minutes, twice, and what the second three days added to the file is what three days of minutes
take; 731 days of them are that in proportion, since rows are alike. The two days of seconds are written
whole. Each size is that of the file without its free pages.

The reference is what the numbers alone take: eight numbers of eight bytes a row.
"""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

from monitor.journal.history import thin
from monitor.journal.store import Journal
from tests.bench.figure import Figure

KEPT_DAYS, SECONDS_DAYS, SOME_DAYS = 731, 2, 3
DAY_S = 86_400
_NUMBERS_BYTES = 8 * 8
_UTC_S = 1.7e9


def measure() -> list[Figure]:
    """Write, thin out, weigh."""
    with tempfile.TemporaryDirectory() as name:
        journal = Journal(Path(name))
        made = random.Random(1)
        sizes = []
        for part in range(2):
            _seconds(journal, part * SOME_DAYS, SOME_DAYS, made)
            thin(journal, float((part + 1) * SOME_DAYS * DAY_S), rest=lambda _: None)
            sizes.append(journal.used_bytes())
        minutes_bytes = (sizes[1] - sizes[0]) * KEPT_DAYS / SOME_DAYS
        _seconds(journal, 2 * SOME_DAYS, SECONDS_DAYS, made)
        seconds_bytes = journal.used_bytes() - sizes[1]
        journal.close()
    whole = minutes_bytes + seconds_bytes
    bare = _NUMBERS_BYTES * (KEPT_DAYS * 1440 + SECONDS_DAYS * DAY_S)
    return [
        Figure(
            "history of one filter: two years of minutes, two days of seconds",
            f"{whole / 1e6:.0f} MB ({minutes_bytes / 1e6:.0f} + {seconds_bytes / 1e6:.0f})",
            f"{bare / 1e6:.0f} MB (eight numbers of eight bytes a row)",
            f"{whole / bare:.2f}",
            "none",
            True,
        )
    ]


def _seconds(journal: Journal, first_day: int, days: int, made: random.Random) -> None:
    for day in range(first_day, first_day + days):
        flow = 2.1e-4 * (1.0 - 0.004 * day)
        with journal.guarded("write", transaction=True) as link:
            link.executemany(
                "INSERT INTO samples (filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, clean_m3_per_s, "
                "temperature_c, temperature_quality) VALUES ('long_tank', ?, ?, 1, ?, 'good', 2.1e-4, ?, 'good')",
                [
                    (t + 0.02 * made.random(), _UTC_S + t + 0.02 * made.random(), flow * made.gauss(1.0, 0.01),
                     25.0 + 0.0625 * made.randint(-2, 2))
                    for t in range(day * DAY_S, (day + 1) * DAY_S)
                ],
            )  # fmt: skip
