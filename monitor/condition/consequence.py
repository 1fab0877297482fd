"""What a stop means as time goes on: oxygen, restart, and the tank's temperature.

Estimates all; each sentence says so or gives a range. The advice on restarting is common practice,
no source.
"""

from __future__ import annotations

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
    """Return how to restart a filter whose water has stood for some time, before it runs again.

    Args:
        stock, temperature_c: what the canister's oxygen depends on.
        stopped_s: how long the water has stood, 0 or more.
    """
    found = until_short(temperature_c, stock.salinity, stock.stocking)
    if stopped_s < min(_SHORT_STOP_S, found.soonest_h * _HOUR_S):
        return "It has stood only shortly: it can simply be restarted."
    if stopped_s < found.latest_h * _HOUR_S:
        return (
            f"It has stood for {duration_words(stopped_s)} and its water may be out of oxygen: keep it "
            "unplugged, empty it, fill it with tank water, then restart."
        )
    return (
        f"It has stood for {duration_words(stopped_s)}, its water is taken for foul: keep it unplugged, "
        "open it in fresh air, rinse the media in tank water, fill it anew, then restart; test ammonia "
        "and nitrite for some days."
    )


def restarted_advice(stock: Stock, temperature_c: float | None, stopped_s: float) -> str:
    """Return what to do when water moves again after a stop of some length."""
    found = until_short(temperature_c, stock.salinity, stock.stocking)
    if stopped_s < min(_SHORT_STOP_S, found.soonest_h * _HOUR_S):
        return "It runs again after a short stop: nothing needs doing."
    said = (
        f"It runs again after {duration_words(stopped_s)}: its stale water may have gone into the tank. "
        "Watch the animals and add air; if they gasp, switch the filter off and unplug it, then empty "
        "and rinse it."
    )
    if stopped_s < found.latest_h * _HOUR_S:
        return said
    return f"{said} Test ammonia and nitrite for some days."
