"""The figures of a filter that home automation is shown, each with its place in the state. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

PERCENT = "%"


class Figure(msgspec.Struct, frozen=True):
    """One number of `payloads.state`.

    `path` leads to it, `unit` is what it is shown in; a share of the state is shown in percent.
    """

    id: str
    name: str
    path: tuple[str, ...]
    unit: str
    never_negative: bool = True


FIGURES = (
    Figure("flow", "Flow", ("flow_l_per_h",), "L/h"),
    Figure("clean-flow", "Clean flow", ("clean_flow_l_per_h",), "L/h"),
    Figure("share-of-clean", "Share of clean flow", ("share_of_clean",), PERCENT),
    Figure("temperature", "Water temperature", ("temperature_c",), "°C", False),
    Figure("fouling", "Fouling", ("fouling",), PERCENT, False),
    Figure("due-low", "Cleaning due, earliest", ("cleaning_due", "low_days"), "d", False),
    Figure("due-median", "Cleaning due", ("cleaning_due", "median_days"), "d", False),
    Figure("due-high", "Cleaning due, latest", ("cleaning_due", "high_days"), "d", False),
)


def number(figure: Figure, state: Mapping[str, Any]) -> float | None:
    """Return a figure of a state in its unit, `None` where it is not known."""
    found: Any = state
    for name in figure.path:
        found = None if found is None else found[name]
    if found is None:
        return None
    return round(100 * float(found), 1) if figure.unit == PERCENT else float(found)


def alarm_words(kind: str) -> str:
    """Return an alarm's word as people read it."""
    return kind.replace("-", " ").capitalize()
