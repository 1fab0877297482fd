"""The water's temperature over hours and days: pattern of the heater, rate, band, own cooling.

A public-aquarium veterinary text allows no more than +2 °C or −1 °C a day.
"""

from __future__ import annotations

import math

import msgspec

from monitor.records import Cause, Note
from monitor.units import SECONDS_PER_DAY

_WINDOW_S = 1800.0
_HOURS = 24
_UP_A_DAY_K, _DOWN_A_DAY_K = 2.0, 1.0
# A thermostat holds within half a kelvin; this far from the day's mean and still going the same way
# for two hours is no thermostat (from memory).
_OFF_MEAN_K, _WINDOWS_ONE_WAY = 0.8, 4
_WEEK_S = 7 * SECONDS_PER_DAY
_LEARN_GAIN = 0.2
# Rooms that keep people; the truth is not measured (from memory).
_ROOM_C = (16.0, 22.0)


class Band(msgspec.Struct, frozen=True, gc=False):
    """The user's band in °C; `None` for no bound."""

    min_c: float | None = None
    max_c: float | None = None


class Thermal(msgspec.Struct, frozen=True, gc=False):
    """What is remembered of the temperature. Rates are in K an hour.

    `hourly` are the last day's values an hour apart, `falling` how fast the tank cools while its
    heater rests, `in_band` the share of the last week within the band, `told` the note that stands.
    """

    from_s: float | None = None
    from_c: float = 0.0
    day_mean: float | None = None
    one_way: int = 0
    falling: float | None = None
    hourly: tuple[float, ...] = ()
    hour_s: float = 0.0
    in_band: float | None = None
    told: Cause = Cause.NONE


def follow_temperature(
    old: Thermal, band: Band, value_c: float, line_s: float, runs: bool
) -> tuple[Thermal, Note | None]:
    """Take a trustworthy temperature; does its work every half hour.

    Args:
        old, band: so far, and the user's band.
        value_c: of the water at the outlet.
        line_s: now.
        runs: whether water moves past the probe; else it shows the room and is not counted.
    """
    if old.from_s is None or not runs:
        return msgspec.structs.replace(old, from_s=line_s, from_c=value_c, one_way=0), None
    lasted = line_s - old.from_s
    if lasted < _WINDOW_S:
        return old, None
    rate = (value_c - old.from_c) / (lasted / 3600.0)
    gain = -math.expm1(-lasted / SECONDS_PER_DAY)
    mean = value_c if old.day_mean is None else old.day_mean + gain * (value_c - old.day_mean)
    same_way = (rate > 0) == (old.one_way > 0)
    one_way = old.one_way + (1 if rate > 0 else -1) if same_way else (1 if rate > 0 else -1)
    falling = old.falling
    if rate < 0:
        falling = -rate if falling is None else falling + _LEARN_GAIN * (-rate - falling)
    hourly, hour_s = old.hourly, old.hour_s
    if line_s - hour_s >= 3600.0:
        hourly, hour_s = (*hourly, value_c)[-_HOURS:], line_s
    new = Thermal(
        line_s, value_c, mean, one_way, falling, hourly, hour_s, _in_band(old, band, value_c, lasted),
        old.told,
    )  # fmt: skip
    return _told(new, band, value_c, rate)


def _in_band(old: Thermal, band: Band, value_c: float, lasted_s: float) -> float | None:
    if band.min_c is None and band.max_c is None:
        return None
    inside = (band.min_c is None or value_c >= band.min_c) and (
        band.max_c is None or value_c <= band.max_c
    )
    before = old.in_band if old.in_band is not None else float(inside)
    return before + -math.expm1(-lasted_s / _WEEK_S) * (float(inside) - before)


def _told(new: Thermal, band: Band, value_c: float, rate: float) -> tuple[Thermal, Note | None]:
    """Put a pattern into words once, and again only after it has been over."""
    found = _pattern(new, band, value_c, rate)
    if found is None:
        return msgspec.structs.replace(new, told=Cause.NONE), None
    if found.cause is new.told:
        return new, None
    return msgspec.structs.replace(new, told=found.cause), found


def _pattern(new: Thermal, band: Band, value_c: float, rate: float) -> Note | None:
    if len(new.hourly) < _HOURS or new.day_mean is None:
        return None  # a day first: before that there is no usual
    off = value_c - new.day_mean
    hours = abs(new.one_way) * _WINDOW_S / 3600.0
    if off > _OFF_MEAN_K and new.one_way >= _WINDOWS_ONE_WAY:
        return Note(
            Cause.HEATER_STUCK_ON,
            f"the water has risen for {hours:.0f} h to {value_c:.1f} °C, {off:.1f} K above its mean: "
            f"the heater may be stuck on, or the room is hot{_until(band.max_c, value_c, rate)}",
        )
    if off < -_OFF_MEAN_K and new.one_way <= -_WINDOWS_ONE_WAY:
        return Note(
            Cause.HEATER_STUCK_OFF,
            f"the water has fallen for {hours:.0f} h to {value_c:.1f} °C, {-off:.1f} K below its mean: "
            f"the heater may have failed, or the room is cold{_until(band.min_c, value_c, rate)}",
        )
    day = value_c - new.hourly[0]
    if day > _UP_A_DAY_K or day < -_DOWN_A_DAY_K:
        return Note(Cause.TEMPERATURE_RATE, f"the water has moved by {day:+.1f} K within a day")
    return None


def _until(limit_c: float | None, value_c: float, rate: float) -> str:
    """At this rate, in words, until a limit of the user's; nothing where there is none ahead."""
    if limit_c is None or rate == 0.0 or (limit_c - value_c) / rate <= 0.0:
        return ""
    hours = (limit_c - value_c) / rate
    return f"; at this rate {limit_c:g} °C is reached in about {hours:.0f} h (estimate)"


def hours_until(limit_c: float, value_c: float, falling: float) -> tuple[float, float] | None:
    """Return soonest and latest hours until an unheated tank has cooled to a limit (Newton's law).

    The rate at which it cools now is its own; towards what it cools is a room of 16 to 22 °C.

    Args:
        limit_c: below `value_c`, else the answer is `None`.
        value_c: now.
        falling: K an hour while the heater rests, above 0.
    """
    if not falling > 0.0 or limit_c >= value_c:
        return None
    found = []
    for room_c in _ROOM_C:
        if room_c < limit_c:
            constant_h = (value_c - room_c) / falling
            found.append(constant_h * math.log((value_c - room_c) / (limit_c - room_c)))
    return (min(found), max(found)) if found else None
