"""An invented site as the page sees it, for its unit tests."""

from __future__ import annotations

from typing import Any

import msgspec

from monitor.page.port import AlarmView, DueView, FilterView, SiteView
from monitor.records import AlarmKind, AlarmState, Cause, Priority

NOW_S = 1_772_438_400.0

STOPPED = AlarmView(
    "left", AlarmKind.FLOW_STOPPED, str(AlarmState.UNACKNOWLEDGED), True, Priority.HIGH, 3,
    Cause.PUMP_OR_POWER, 0.7, "no flow at all", "Look at the pump.", "Oxygen falls.", NOW_S - 60,
)  # fmt: skip
LEFT = FilterView(
    id="left", name="Left <tank>", sentence="Running at 86% of clean, cleaning due in about 9 days, 6 to 14.",
    simulated=False, flow=774.0, clean=900.0, clean_words="measured", share=0.86, limits=(0.75, 0.5, 0.2),
    temperature=25.04, has_probe=True, band=(23.0, 27.0), blind_s=0.0, due=DueView(6.2, 9.1, 14.0, True),
    fouling=0.6, pause=None, pause_until_utc_s=None, cleaned_utc_s=None, undo=False, alarms=(),
)  # fmt: skip
SITE = SiteView("Invented cellar", NOW_S, False, True, True, 0.4, (LEFT,))


def filter_with(**changes: Any) -> FilterView:
    return msgspec.structs.replace(LEFT, **changes)


def site_with(**changes: Any) -> SiteView:
    return msgspec.structs.replace(SITE, **changes)


def clock(utc_s: float) -> str:
    """Seconds against the invented now, so that no zone of the machine matters."""
    return f"T{utc_s - NOW_S:+.0f}"
