"""What is kept for how long: the chore that keeps the journal within its bounds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.journal.history import drop_minutes, thin
from monitor.journal.store import Journal
from monitor.settings.model import StorageSettings

_DAY_S = 86400.0


def tidy(
    journal: Journal,
    storage: StorageSettings,
    now_line_s: float,
    ways_out: Sequence[str],
    samples_out: Sequence[str] = (),
) -> tuple[int, int]:
    """Thin out samples and drop what is too old or too much; return how many of each.

    Args:
        journal: whose.
        storage: how long everything is kept.
        now_line_s: the time.
        ways_out: sinks to which events are owed.
        samples_out: sinks to which samples are owed.

    Raises:
        StorageError: the journal cannot be written.
    """
    owed_after = min((journal.cursor(sink) for sink in samples_out), default=None)
    thinned = thin(
        journal,
        now_line_s - storage.keep_samples_days * _DAY_S,
        owed_after,
        now_line_s - storage.owed_samples_days * _DAY_S,
    )
    most_bytes = int(storage.max_size_mb * 1e6)
    if journal.used_bytes() > most_bytes:
        # Before anything is lost for good, what is owed to a server that is away becomes minutes.
        thinned += thin(journal, now_line_s - storage.keep_samples_days * _DAY_S)
    dropped = drop_minutes(journal, now_line_s - storage.keep_minutes_days * _DAY_S)
    dropped += journal.prune(-math.inf, most_bytes, ways_out)
    return thinned, dropped
