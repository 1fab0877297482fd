"""Units: SI inside, litres per hour and °C for people, US units as a display option.

A flow is a volume flow in m³/s everywhere inside the program. These functions are the only place
where a factor between units is written down.
"""

from __future__ import annotations

LITRES_PER_M3 = 1000.0
SECONDS_PER_HOUR = 3600.0
SECONDS_PER_DAY = 86400.0
# The US liquid gallon is 231 cubic inches of 25.4 mm (NIST Handbook 44, appendix C).
LITRES_PER_US_GALLON = 231 * 0.254**3
KG_PER_LB = 0.45359237  # the avoirdupois pound (NIST Handbook 44, appendix C)
GRAVITY_M_PER_S2 = 9.80665  # standard acceleration, 3rd CGPM 1901

_M3_PER_S_IN_L_PER_H = LITRES_PER_M3 * SECONDS_PER_HOUR

# Mass flow units convert with the density of fresh water; 1000 kg/m³ is within 0.6 % of it from
# 0 to 35 °C (IAPWS-95), which is far inside the error of any hall-effect sensor.
_FRESH_WATER_KG_PER_M3 = 1000.0

FLOW_UNITS_IN_M3_PER_S: dict[str, float] = {
    "m3/s": 1.0,
    "m3/h": 1.0 / SECONDS_PER_HOUR,
    "L/s": 1.0 / LITRES_PER_M3,
    "L/min": 1.0 / LITRES_PER_M3 / 60.0,
    "L/h": 1.0 / _M3_PER_S_IN_L_PER_H,
    "kg/s": 1.0 / _FRESH_WATER_KG_PER_M3,
    "kg/h": 1.0 / _FRESH_WATER_KG_PER_M3 / SECONDS_PER_HOUR,
    "gal/min": LITRES_PER_US_GALLON / LITRES_PER_M3 / 60.0,
    "gal/h": LITRES_PER_US_GALLON / LITRES_PER_M3 / SECONDS_PER_HOUR,
}
"""Volume of 1 unit of flow in m³/s; mass units are of fresh water."""

TEMPERATURE_UNITS = ("degC", "degF", "K")


def l_per_h(flow_m3_per_s: float) -> float:
    """Return a flow in litres per hour from one in m³/s."""
    return flow_m3_per_s * _M3_PER_S_IN_L_PER_H


def m3_per_s(flow_l_per_h: float) -> float:
    """Return a flow in m³/s from one in litres per hour."""
    return flow_l_per_h / _M3_PER_S_IN_L_PER_H


def us_gal_per_h(flow_m3_per_s: float) -> float:
    """Return a flow in US gallons per hour from one in m³/s."""
    return l_per_h(flow_m3_per_s) / LITRES_PER_US_GALLON


def fahrenheit(temperature_c: float) -> float:
    """Return a temperature in °F from one in °C."""
    return temperature_c * 9.0 / 5.0 + 32.0


def celsius(value: float, unit: str) -> float:
    """Return a temperature in °C from `value` in one of `TEMPERATURE_UNITS`.

    Raises:
        KeyError: the unit is not one of them.
    """
    return {"degC": value, "degF": (value - 32.0) * 5.0 / 9.0, "K": value - 273.15}[unit]


def duration_words(seconds: float) -> str:
    """Return a length of time as a person would say it: `40 s`, `12 min`, `5 h`, `9 days`.

    The unit is the largest of which there are at least two (one for seconds), rounded to whole.
    """
    seconds = abs(seconds)
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 2 * SECONDS_PER_HOUR:
        return f"{seconds / 60:.0f} min"
    if seconds < 2 * SECONDS_PER_DAY:
        return f"{seconds / SECONDS_PER_HOUR:.0f} h"
    return f"{seconds / SECONDS_PER_DAY:.0f} days"
