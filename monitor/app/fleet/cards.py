"""Takes what a fleet's cleanings teach into a set-up card."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from monitor.settings.card import read_card
from monitor.settings.edit import edited, replaced


def teach(file: Path, days: float, cycles: int) -> float:
    """Write the days between cleanings into a card, and from how many cycles; return them as written.

    All else in the card stays as it is, and the old card is kept as a dated copy.

    Raises:
        SettingsError: it is no card.
        StorageError: it cannot be written.
    """
    read_card(file)
    rounded = round(days, 1)
    changes = {
        "learned.days_between_cleanings": rounded,
        "learned.cleanings_seen": min(cycles, 10_000),
    }
    text = edited(file.read_text(encoding="utf-8"), changes)
    replaced(file, text, datetime.now().strftime("%Y%m%d-%H%M%S"))  # noqa: DTZ005
    return rounded
