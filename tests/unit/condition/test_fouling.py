"""The due date: growth curves, their posterior, past cycles, and honesty about what is not known."""

from __future__ import annotations

import math

import msgspec
import pytest

from monitor.condition.fouling import (
    BLOCK_S,
    DAY_S,
    LEFT_S,
    Forecast,
    Track,
    add_block,
    forecast,
    next_cycle,
    resistance,
)

LIMIT = 0.75


def grown(days: float, life_days: float, shape: str = "cake", noise: float = 0.0) -> Track:
    """A cycle seen for some days; in a cake 1/x² − 1 grows in proportion to time (Hermia 1982)."""
    track, due = Track(), LIMIT**-2 - 1
    for n in range(int(days * DAY_S / BLOCK_S)):
        at_s = (n + 0.5) * BLOCK_S
        u = at_s / (life_days * DAY_S)
        r = due * (u if shape == "cake" else math.expm1(5 * u) / math.expm1(5))
        wave = noise * math.sin(n * 1.7)
        track = add_block(track, at_s, (1 + r) ** -0.5 + wave)
    return track


def days(found: Forecast) -> tuple[float, float, float]:
    assert found.low_s is not None
    assert found.median_s is not None
    assert found.high_s is not None
    return found.low_s / DAY_S, found.median_s / DAY_S, found.high_s / DAY_S


def test_resistance_of_a_parabola_against_quadratic_losses() -> None:
    """By hand: H0/Q² = H0/Qc² + k, so at half flow k is three times the clean circuit's share."""
    assert resistance(0.5, 2.0) == pytest.approx(3.0)
    assert resistance(1.0, 2.0) == 0.0
    assert resistance(1.2, 2.0) == 0.0, "more than clean is no negative fouling"


@pytest.mark.parametrize(("seen", "life"), [(20, 40), (30, 40), (15, 30), (60, 90)])
def test_a_steadily_growing_cake_is_due_when_it_is(seen: float, life: float) -> None:
    low, median, high = days(forecast(grown(seen, life), seen * DAY_S, LIMIT, 2.0))
    assert low <= life - seen <= high
    assert median == pytest.approx(life - seen, rel=0.35)


def test_growth_that_speeds_up_is_told_from_steady_growth() -> None:
    steady = forecast(grown(30, 40), 30 * DAY_S, LIMIT, 2.0)
    fast = forecast(grown(36, 40, "exponential"), 36 * DAY_S, LIMIT, 2.0)
    assert steady.shape in ("steady", "growing faster", "slowing")
    assert fast.shape in ("growing faster", "sudden at the end")
    low, _, high = days(fast)
    assert low <= 4 <= high


def test_without_a_fall_there_is_no_trend_and_no_date() -> None:
    track = Track()
    for n in range(40):
        track = add_block(track, (n + 0.5) * BLOCK_S, 1.0 + 0.01 * math.sin(n))
    found = forecast(track, 10 * DAY_S, LIMIT, 2.0)
    assert not found.trend
    assert found.median_s is None


def test_without_a_trend_past_cycles_speak() -> None:
    track = Track((), (30 * DAY_S, 33 * DAY_S, 28 * DAY_S))
    for n in range(20):
        track = add_block(track, (n + 0.5) * BLOCK_S, 0.995)
    found = forecast(track, 5 * DAY_S, LIMIT, 2.0)
    low, median, high = days(found)
    assert not found.trend
    assert low < 25 < high
    assert median == pytest.approx(25, rel=0.35)


def test_past_cycles_fade_before_what_is_seen() -> None:
    """A cycle that plainly lasts 60 days is not bent to the 25 of those before it."""
    long_one = grown(50, 60)
    told = Track(long_one.points, (25 * DAY_S, 26 * DAY_S))
    _, median, high = days(forecast(told, 50 * DAY_S, LIMIT, 2.0))
    assert high >= 10 * 0.8
    assert median > 3


def test_the_interval_narrows_as_due_comes_near() -> None:
    early = days(forecast(grown(20, 60, noise=0.003), 20 * DAY_S, LIMIT, 2.0))
    late = days(forecast(grown(54, 60, noise=0.003), 54 * DAY_S, LIMIT, 2.0))
    assert late[2] - late[0] < early[2] - early[0]


def test_one_wild_block_moves_little() -> None:
    good = grown(30, 60)
    _, without, _ = days(forecast(good, 30 * DAY_S, LIMIT, 2.0))
    odd = msgspec.structs.replace(good.points[-8], share=0.5)
    wild = Track((*good.points[:-8], odd, *good.points[-7:]))
    _, with_it, _ = days(forecast(wild, 30 * DAY_S, LIMIT, 2.0))
    assert with_it == pytest.approx(without, rel=0.15)


def test_fouling_is_one_at_the_limit() -> None:
    track = Track()
    for n in range(8):
        track = add_block(track, (n + 0.5) * BLOCK_S, LIMIT)
    assert forecast(track, 2 * DAY_S, LIMIT, 2.0).fouling == pytest.approx(1.0)


def test_a_year_of_blocks_stays_small() -> None:
    track = Track()
    for n in range(1460):
        track = add_block(track, (n + 0.5) * BLOCK_S, 1.0 - n / 1460 * 0.2)
    assert len(track.points) <= 36
    assert sum(p.blocks for p in track.points) == pytest.approx(1460)
    assert track.points[0].share == pytest.approx(1.0, abs=0.01)
    assert max(p.blocks for p in track.points) < 3 * min(p.blocks for p in track.points[:-3])
    assert track.points[-1].share == pytest.approx(0.8, abs=0.01)


def test_only_the_last_twelve_cycles_are_kept() -> None:
    track = Track()
    for n in range(20):
        track = next_cycle(track, float(n))
    assert track.past_s == tuple(float(n) for n in range(8, 20))
    assert next_cycle(track, None).past_s == track.past_s


def test_the_grid_reaches_from_hours_to_years() -> None:
    assert LEFT_S[0] <= 3 * 3600
    assert LEFT_S[-1] >= 365 * DAY_S
