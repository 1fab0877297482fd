"""The chances of filters against numerical integration, sampling and the figures they were made from."""

from __future__ import annotations

import math
import random
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from monitor.fleet.visits_chance import Basis, Chances, Spread, flat, forecast, past, usual

DAYS = st.floats(0.0, 400.0)


@st.composite
def three(draw: st.DrawFn) -> tuple[float, float, float]:
    median = draw(st.floats(0.05, 200.0))
    return median / draw(st.floats(1.0, 20.0)), median, median * draw(st.floats(1.0, 20.0))


def one(spread: Spread) -> Chances:
    return Chances([spread])


@given(three())
def test_it_meets_the_three_figures_of_the_site(figures: tuple[float, float, float]) -> None:
    low, median, high = figures
    found = one(forecast(low, median, high, 0.0, Basis.TREND))
    for figure, share in ((low, 0.1), (median, 0.5), (high, 0.9)):
        # Figures closer together than a few per cent are set a little apart.
        if median / low > 1.1 and high / median > 1.1 and low > 0.05:
            assert found.before(figure)[0] == pytest.approx(share, abs=1e-9)


@given(three(), DAYS, st.floats(0.0, 30.0), st.sampled_from(["trend", "usual", "flat"]))
def test_expected_days_are_the_integrals_of_the_chance(
    figures: tuple[float, float, float], days: float, age: float, kind: str
) -> None:
    """E max(0, d - T) is the integral of P(T <= t) from 0 to d."""
    spread = {
        "trend": forecast(*figures, age, Basis.TREND),
        "usual": usual(figures[1] + 1.0, age),
        "flat": flat(figures[1]),
    }[kind]
    found, steps = one(spread), 4000
    many = Chances([spread] * steps)

    def integral(a: float, b: float) -> tuple[float, float]:
        """By midpoints; of a rising function from 0 to 1 it is wrong by half a step at the most."""
        step = (b - a) / steps
        return float(many.before(a + step * (np.arange(steps) + 0.5)).sum() * step), step

    wanted, step = integral(0.0, days)
    assert found.past_days(days)[0] == pytest.approx(wanted, abs=step + 1e-6)
    wanted, step = integral(days, days + 50.0)
    assert found.unused_days(days, np.array([50.0]))[0] == pytest.approx(
        50.0 - wanted, abs=step + 1e-6
    )


@given(three(), DAYS, DAYS)
def test_a_chance_grows_with_the_days_and_stays_a_chance(
    figures: tuple[float, float, float], a: float, b: float
) -> None:
    found = one(forecast(*figures, 0.0, Basis.TREND))
    soon, late = sorted((a, b))
    assert 0.0 <= found.before(soon)[0] <= found.before(late)[0] <= 1.0
    assert 0.0 <= found.past_days(soon)[0] <= found.past_days(late)[0] + 1e-9 <= late + 1e-8


def test_against_a_sample() -> None:
    """A hundred thousand draws of the two-sided lognormal, seed 4; six standard errors allowed."""
    chance = random.Random(4)
    low, median, high, age, day = 6.0, 9.0, 20.0, 2.0, 10.0
    up, down = math.log(high / median) / norm.ppf(0.9), math.log(median / low) / norm.ppf(0.9)
    past_days, before = [], 0
    for _ in range(100_000):
        z = chance.gauss(0, 1)
        left = median * math.exp(z * (up if z > 0 else down)) - age
        past_days.append(min(day, max(0.0, day - left)))
        before += left <= day
    found = one(forecast(low, median, high, age, Basis.TREND))
    assert found.before(day)[0] == pytest.approx(before / 1e5, abs=6 * 0.5 / math.sqrt(1e5))
    error = statistics.stdev(past_days) / math.sqrt(1e5)
    assert found.past_days(day)[0] == pytest.approx(statistics.fmean(past_days), abs=6 * error)


def test_an_old_forecast_is_nearer_its_end() -> None:
    fresh, old = (one(forecast(5.0, 10.0, 20.0, age, Basis.TREND)) for age in (0.0, 6.0))
    assert old.before(4.0)[0] == pytest.approx(0.5)
    assert fresh.before(4.0)[0] < 0.1


def test_what_is_past_its_limit_counts_every_day() -> None:
    found = one(past())
    assert found.before(0.1)[0] == pytest.approx(1.0)
    assert found.past_days(7.0)[0] == pytest.approx(7.0, abs=0.03)
    assert found.unused_days(3.0, np.array([40.0]))[0] == pytest.approx(0.0, abs=1e-6)


def test_a_usual_cycle_is_taken_with_what_it_has_lasted() -> None:
    """Twenty of thirty days gone: the chance before day 10 is P(T <= 30 | T > 20), by scipy's normal."""
    spread = math.log(1.5) / norm.ppf(0.9)
    gone = norm.cdf(math.log(20 / 30) / spread)
    assert one(usual(30.0, 20.0)).before(10.0)[0] == pytest.approx((0.5 - gone) / (1 - gone))


def test_a_filter_that_outlived_its_cycles_has_a_flat_chance() -> None:
    assert usual(30.0, 300.0).basis is Basis.FLAT
    assert one(flat(49.0)).before(7.0)[0] == pytest.approx(1 - math.exp(-7 / 49))


def test_many_are_as_one_by_one() -> None:
    spreads = [past(), flat(30.0), usual(40.0, 10.0), forecast(3.0, 5.0, 9.0, 1.0, Basis.TREND)]
    together = Chances(spreads)
    for at, spread in enumerate(spreads):
        assert together.before(6.0)[at] == one(spread).before(6.0)[0]
        assert together.past_days(6.0)[at] == one(spread).past_days(6.0)[0]
    assert Chances([]).before(3.0).shape == (0,)
