"""What the page says, in plain words. Pure: a time is written by whoever knows the clock.

States are told in words and in shapes; colour only repeats them.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from monitor.page.port import AlarmView, DueView, FilterView, SiteView
from monitor.records import AlarmKind, AlarmState, Cause, Priority
from monitor.units import LITRES_PER_US_GALLON, duration_words, fahrenheit

Clock = Callable[[float], str]
"""Writes a time of the wall clock for people, such as `today 14:05`."""

DASH = "–"
STALE_AFTER_S = 10.0

_PER_CENT = re.compile(r"(\d)%")
_CAUSES = {
    Cause.MEDIA_CLOGGED: "dirt in the media",
    Cause.SUDDEN_RESTRICTION: "something closed at once: a kink, a tap, the strainer",
    Cause.AIR: "air in the water",
    Cause.PUMP_OR_POWER: "the pump stands, or has no power",
    Cause.BLOCKED: "the way of the water is blocked",
    Cause.SENSOR_WIRING: "the flow sensor or its cable",
    Cause.CLEANED_UNTOLD: "it looks as if it had been cleaned",
    Cause.POOR_RECOVERY: "the cleaning brought back less than it should",
    Cause.FLOW_STEP: "the flow changed at once",
    Cause.SENSOR_JAMMED: "the flow sensor's rotor is jammed, water may move",
    Cause.HOSE_OFF: "a hose may be off behind the sensor",
    Cause.HEATER_OR_ROOM: "the heater, or the room",
    Cause.PROBE_FAULT: "the temperature probe or its cable",
    Cause.HEATER_STUCK_ON: "the heater stays on",
    Cause.HEATER_STUCK_OFF: "the heater stays off",
    Cause.TEMPERATURE_RATE: "the temperature changes fast",
}
_PRIORITIES = {
    Priority.HIGH: ("triangle", "act now"),
    Priority.MEDIUM: ("diamond", "today"),
    Priority.LOW: ("ring", "within days"),
}
STATES = {
    AlarmState.UNACKNOWLEDGED: "open, nobody has acknowledged it",
    AlarmState.ACKNOWLEDGED: "open, acknowledged",
    AlarmState.RETURNED: "over, not acknowledged yet",
    AlarmState.LATCHED: "over, waits to be acknowledged",
    AlarmState.SHELVED: "shelved",
    AlarmState.SUPPRESSED: "suppressed by design: what explains it is known",
    AlarmState.OUT_OF_SERVICE: "out of service",
}
# Where an alarm can be acknowledged, and where it can still be heard and so be shelved.
CAN_ACKNOWLEDGE = {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED}
QUIET = {AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}


def flow(l_per_h: float | None, us: bool) -> tuple[str, str]:
    """Return a flow and its unit for people."""
    unit = "gal/h" if us else "L/h"
    if l_per_h is None:
        return DASH, unit
    value = l_per_h / LITRES_PER_US_GALLON if us else l_per_h
    return f"{value:,.0f}".replace(",", "\u202f"), unit


def temperature(celsius: float | None, us: bool) -> tuple[str, str]:
    """Return a temperature and its unit for people."""
    unit = "°F" if us else "°C"
    if celsius is None:
        return DASH, unit
    return f"{fahrenheit(celsius) if us else celsius:.1f}", unit


def per_cent(share: float | None) -> str:
    """Return a share as whole per cent."""
    return DASH if share is None else f"{share * 100:.0f}\u202f%"


def alarm_name(kind: AlarmKind) -> str:
    """Return an alarm's name as a sentence begins."""
    return "Test alarm" if kind is AlarmKind.TEST else str(kind).replace("-", " ").capitalize()


def priority(found: AlarmView) -> tuple[str, str]:
    """Return the shape and the words of how soon an alarm wants a person."""
    return _PRIORITIES[found.priority]


def state(found: AlarmView, clock: Clock) -> str:
    """Return where an alarm stands, since when, and when a person's quiet ends."""
    said = STATES.get(AlarmState(found.state), found.state)
    if found.state in QUIET and found.until_utc_s is not None:
        said += f" until {clock(found.until_utc_s)}, then it is heard again"
    if found.state == AlarmState.ACKNOWLEDGED and found.by:
        said += f" by {found.by}"
    if found.since_utc_s is not None:
        said += f"; raised {clock(found.since_utc_s)}"
    return said


def cause(found: AlarmView) -> str:
    """Return the most likely cause and how sure it is, empty where none is known."""
    said = _CAUSES.get(found.cause, "")
    if said and found.sure is not None:
        said += f" ({per_cent(found.sure)} sure)"
    return said


def cause_name(found: Cause) -> str:
    """Return a cause in words, empty for none."""
    return _CAUSES.get(found, "")


def sentence(one: FilterView, site: SiteView) -> str:
    """Return the one honest sentence about a filter; what is not known now is never said as known."""
    said = _PER_CENT.sub("\\1\u202f%", one.sentence)
    if not site.watched:
        return said
    if not site.live and site.age_s > STALE_AFTER_S:
        return f"No news for {duration_words(site.age_s)}: the filter may run or not."
    if one.flow is None and one.blind_s is None:
        return "Waiting for the first reading."
    if one.flow is None and one.blind_s is not None and one.blind_s >= STALE_AFTER_S:
        return f"No reading for {duration_words(one.blind_s)}: the filter may run or not."
    return said


def standing(one: FilterView, site: SiteView) -> tuple[str, str]:
    """Return the shape and the word that sum up a filter."""
    if not site.watched:
        return "hollow", "not watched"
    heard = [a for a in one.alarms if a.active and a.state not in QUIET | {AlarmState.SUPPRESSED}]
    for level in Priority:
        if any(a.priority is level for a in heard):
            shape, words = _PRIORITIES[level]
            return shape, f"needs you: {words}"
    if one.pause is not None:
        return "bars", "paused"
    if one.flow is None:
        return "hollow", "no reading"
    return ("dot", "running") if one.clean is not None else ("dot", "running, learning")


def watch(site: SiteView, second: Clock) -> tuple[str, str]:
    """Return shape and words of whether somebody watches; `second` writes a time to the second."""
    if site.problem:
        return "hollow", site.problem
    if not site.watched:
        ago = duration_words(site.age_s)
        return "hollow", f"Nobody watches: canister run is not running. Last seen {ago} ago."
    if not site.live:
        return "hollow", f"No news from the monitor for {duration_words(site.age_s)}."
    return "dot", f"Live, {second(site.utc_s - site.age_s)}"


def due(found: DueView | None) -> str:
    """Return when cleaning is due, as a phrase of its own."""
    if found is None:
        return "not known yet"
    low, middle, high = found.low_days, found.median_days, found.high_days
    if middle is None or low is None or high is None:
        return "no trend yet"
    if middle < 1:
        return "within a day"
    said = f"in about {middle:.0f} day{'s' if round(middle) > 1 else ''} ({low:.0f} to {high:.0f})"
    return said if found.trend else f"{said}, as past cycles went"


def band(low: float | None, high: float | None, us: bool) -> str:
    """Return a tank's band."""
    if low is None and high is None:
        return "no band set"
    if low is None:
        return f"up to {' '.join(temperature(high, us))}"
    if high is None:
        return f"from {' '.join(temperature(low, us))}"
    return f"{temperature(low, us)[0]} to {' '.join(temperature(high, us))}"


def in_band(celsius: float | None, low: float | None, high: float | None) -> str:
    """Return whether a temperature is in its band; empty where nothing can be said."""
    if celsius is None or (low is None and high is None):
        return ""
    if low is not None and celsius < low:
        return "below its band"
    if high is not None and celsius > high:
        return "above its band"
    return "in its band"


def pause(one: FilterView, clock: Clock) -> str:
    """Return what a pause is for and when it ends by itself."""
    until = "" if one.pause_until_utc_s is None else f" until {clock(one.pause_until_utc_s)}"
    return f"Paused for {one.pause}{until}: flow alarms wait."


def announcement(site: SiteView) -> str:
    """Return what a screen reader is told when it changes: the alarms that nobody has acknowledged."""
    names = {f.id: f.name for f in site.filters}
    heard = [
        f"{names.get(a.filter_id, site.name)}: {alarm_name(a.kind).lower()}"
        for a in (*site.alarms, *(a for f in site.filters for a in f.alarms))
        if a.state == AlarmState.UNACKNOWLEDGED
    ]
    if not site.problem and not site.watched:
        return "Nobody watches: canister run is not running."
    return f"Open: {'; '.join(heard)}." if heard else "No open alarm."


def answer(said: str | None, watched: bool) -> str:
    """Return a daemon's answer to an order for people."""
    if said is None:
        if watched:
            return "Noted; the monitor has not answered yet."
        return "Noted; it takes effect when canister run is started."
    head, _, rest = said.partition(": ")
    if head == "done":
        return f"Done: {rest}."
    return f"Not done: {rest}."
