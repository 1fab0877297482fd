"""Figures in the words and units of whoever reads the report."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import msgspec

from monitor.records import Cause
from monitor.units import fahrenheit, l_per_h, us_gal_per_h

_MINUTE_S, _HOUR_S, _DAY_S = 60.0, 3600.0, 86400.0
_CAUSES = {
    Cause.MEDIA_CLOGGED: "media clogged",
    Cause.SUDDEN_RESTRICTION: "something closed at once",
    Cause.AIR: "air in the filter",
    Cause.PUMP_OR_POWER: "pump or power",
    Cause.BLOCKED: "blocked",
    Cause.SENSOR_WIRING: "sensor, plug or cable",
    Cause.CLEANED_UNTOLD: "looks as if it was cleaned and nobody said so",
    Cause.POOR_RECOVERY: "cleaning did not bring the flow back",
    Cause.FLOW_STEP: "the flow changed at once",
    Cause.SENSOR_JAMMED: "the sensor is jammed, water moves",
    Cause.HOSE_OFF: "a hose may be off",
    Cause.HEATER_OR_ROOM: "heater or room",
    Cause.PROBE_FAULT: "probe, plug or cable",
    Cause.HEATER_STUCK_ON: "the heater does not switch off",
    Cause.HEATER_STUCK_OFF: "the heater does not switch on",
    Cause.TEMPERATURE_RATE: "temperature changes fast",
    Cause.NONE: "not known",
}


class Reader(msgspec.Struct, frozen=True):
    """Who reads: `us` for US units; `stamp` and `day` put a time of the wall clock into words."""

    us: bool
    stamp: Callable[[float], str]
    day: Callable[[float], str]

    @property
    def flow_unit(self) -> str:
        """What flows are given in."""
        return "gal/h" if self.us else "L/h"

    def flow_value(self, flow_m3_per_s: float) -> float:
        """Return a flow in the reader's unit."""
        return us_gal_per_h(flow_m3_per_s) if self.us else l_per_h(flow_m3_per_s)

    def flow(self, flow_m3_per_s: float | None) -> str:
        """Return a flow with its unit, or that it is not known."""
        if flow_m3_per_s is None:
            return "not known"
        return f"{self.flow_value(flow_m3_per_s):.0f} {self.flow_unit}"

    def warm_value(self, temperature_c: float) -> float:
        """Return a temperature in the reader's unit."""
        return fahrenheit(temperature_c) if self.us else temperature_c

    def warm(self, temperature_c: float | None) -> str:
        """Return a temperature with its unit, or that it is not known."""
        if temperature_c is None:
            return "not known"
        return f"{self.warm_value(temperature_c):.1f} {'°F' if self.us else '°C'}"


def share_words(share: float | None) -> str:
    """Return a share of clean flow as whole per cent, or that it is not known."""
    return "not known" if share is None else f"{share:.0%}"


def part_words(share: float) -> str:
    """Return a part of a whole as whole per cent; only all of it is 100 %."""
    return "more than 99%" if 0.995 <= share < 0.99995 else f"{share:.0%}"


def lasted(seconds: float) -> str:
    """Return a length of time in its two largest units: `2 days 3 h`, `1 h 30 min`, `40 s`."""
    if round(seconds) < 2 * _MINUTE_S:
        return f"{round(seconds)} s"
    minutes = round(seconds / _MINUTE_S)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 2 * 24 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
    hours = round(seconds / _HOUR_S)
    days = f"{hours // 24} days"
    return f"{days} {hours % 24} h" if hours % 24 else days


def times(count: int) -> str:
    """Return how often: once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def cause_words(cause: Cause) -> str:
    """Return a cause in plain words."""
    return _CAUSES[cause]


def listed(parts: Sequence[str]) -> str:
    """Return parts as a sentence lists them."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
