"""Oxygen against published tables; the rest of a stop's consequence for sense and monotony."""

from __future__ import annotations

import pytest

from monitor.condition.consequence import (
    Stock,
    range_words,
    restart_advice,
    stop_consequence,
)
from monitor.condition.oxygen import saturation_mg_per_l, until_short


@pytest.mark.parametrize(("celsius", "mg_per_l"), [(20, 9.09), (25, 8.26), (28, 7.83), (30, 7.56)])
def test_saturation_of_fresh_water(celsius: float, mg_per_l: float) -> None:
    """EN 25814, table of saturation in fresh water, as quoted in the open literature."""
    assert saturation_mg_per_l(celsius) == pytest.approx(mg_per_l, abs=0.006)


@pytest.mark.parametrize(
    ("celsius", "mg_per_l"), [(0, 11.445), (10, 9.023), (20, 7.395), (30, 6.235)]
)
def test_saturation_of_sea_water(celsius: float, mg_per_l: float) -> None:
    """TEOS-10's gsw library, SP = 35, one atmosphere."""
    assert saturation_mg_per_l(celsius, 35.0) == pytest.approx(mg_per_l, abs=0.003)


@pytest.mark.parametrize(("celsius", "salinity"), [(-1, 0), (41, 0), (20, -1), (20, 41)])
def test_outside_its_range_it_says_so(celsius: float, salinity: float) -> None:
    with pytest.raises(ValueError, match="outside 0 to 40"):
        saturation_mg_per_l(celsius, salinity)


def test_the_range_lies_where_the_published_bounds_put_it() -> None:
    """Whole-canister demands of 5 to 100 mg/h in 6 L from 7.4 mg/L: 0.3 to 6.5 h, by division."""
    found = until_short(25.0, 0.0, "normal")
    assert 0.3 <= found.soonest_h < found.latest_h <= 6.5


def test_warm_water_and_heavy_stock_are_short_sooner() -> None:
    cool, warm = until_short(20.0, 0.0, "normal"), until_short(30.0, 0.0, "normal")
    assert warm.soonest_h < cool.soonest_h
    assert warm.latest_h < cool.latest_h
    assert until_short(25.0, 0.0, "heavy").soonest_h < until_short(25.0, 0.0, "light").soonest_h
    assert until_short(25.0, 35.0, "normal").soonest_h < until_short(25.0, 0.0, "normal").soonest_h


def test_an_unknown_temperature_still_gives_a_range() -> None:
    assert until_short(None, 0.0, "normal") == until_short(25.0, 0.0, "normal")


def test_it_is_a_range_and_an_estimate_in_words() -> None:
    said = stop_consequence(Stock(), 25.0)
    assert said.startswith("Estimate")
    assert range_words(until_short(25.0, 0.0, "normal")) in said


def test_advice_on_restarting_changes_with_the_time_stopped() -> None:
    """Common practice, no source: after a long stop open and rinse before the restart."""
    short, middle, long = (restart_advice(Stock(), 25.0, s) for s in (300.0, 7200.0, 86400.0))
    assert "simply" in short
    assert "out of oxygen" in middle
    assert "rinse" in long
    assert len({short, middle, long}) == 3
