"""What a stop means as time goes on: oxygen, restart, and the tank's temperature.

Estimates all; each sentence says so or gives a range. The advice on restarting is common practice,
no source.
"""

from __future__ import annotations

import math

import msgspec

from monitor.condition.oxygen import OxygenRange, until_short
from monitor.units import duration_words

_HOUR_S = 3600.0
_SHORT_STOP_S = 20 * 60.0


class Stock(msgspec.Struct, frozen=True, gc=False):
    """What the consequence depends on: stocking, salinity, and the user's band of temperature."""

    stocking: str = "normal"
    salinity: float = 0.0
    min_c: float | None = None
    max_c: float | None = None


def stop_consequence(stock: Stock, temperature_c: float | None) -> str:
    """Return in words what happens if nothing is done about a stopped flow."""
    found = until_short(temperature_c, stock.salinity, stock.stocking)
    return (
        f"Estimate: the canister's water is short of oxygen in {range_words(found)} after the stop; "
        "then its bacteria die back and the tank is without a working biological filter. The tank's "
        "own oxygen falls too where this filter moves its surface."
    )


def range_words(found: OxygenRange) -> str:
    """Return a range of hours as a person would say it."""
    soonest = duration_words(found.soonest_h * _HOUR_S)
    return f"{soonest} to {duration_words(found.latest_h * _HOUR_S)}"


def restart_advice(stock: Stock, temperature_c: float | None, stopped_s: float) -> str:
    """Return how to restart after a stop of some length.

    Args:
        stock, temperature_c: what the canister's oxygen depends on.
        stopped_s: how long the water has stood, 0 or more.
    """
    found = until_short(temperature_c, stock.salinity, stock.stocking)
    if stopped_s < min(_SHORT_STOP_S, found.soonest_h * _HOUR_S):
        return "A stop this short does no harm: restart it."
    if stopped_s < found.latest_h * _HOUR_S:
        return (
            f"After {duration_words(stopped_s)} the canister's water may be out of oxygen: empty it "
            "into a bucket and fill it with tank water before it runs again; smell it first."
        )
    return (
        f"After {duration_words(stopped_s)} take the canister's water for foul: open it, rinse the "
        "media in tank water, fill it anew, then restart, and test ammonia and nitrite for some days."
    )


class Cooling(msgspec.Struct, frozen=True, gc=False):
    """A tank's own time constant in seconds and the temperature it tends to, learned at rest."""

    constant_s: float
    towards_c: float


def hours_to(limit_c: float, now_c: float, cooling: Cooling) -> float | None:
    """Return the hours until the tank reaches a limit, `None` if it never does (Newton's law)."""
    from_c, to_c = now_c - cooling.towards_c, limit_c - cooling.towards_c
    if from_c == 0.0 or to_c / from_c <= 0.0 or abs(to_c) >= abs(from_c):
        return None
    return cooling.constant_s / _HOUR_S * math.log(from_c / to_c)
