"""What the statistics see: small steps in noise, churn, and silence over a drift."""

from __future__ import annotations

import random

from monitor.condition.observe import Change, Watching, watch_change


def watched(values: list[float]) -> list[tuple[int, Change]]:
    state, found = Watching(), []
    for second, value in enumerate(values):
        state, change = watch_change(state, value, 1.0)
        if change is not None:
            found.append((second, change))
    return found


def noisy(level: float, seconds: int, sd: float, seed: int) -> list[float]:
    generator = random.Random(seed)
    return [level * (1 + generator.gauss(0, sd)) for _ in range(seconds)]


def test_a_step_of_three_per_cent_is_seen_within_two_minutes() -> None:
    values = noisy(100, 900, 0.01, 1) + noisy(97, 300, 0.01, 2)
    (at, change), *rest = watched(values)
    assert 900 < at <= 1020
    assert -0.045 < change.by < -0.015
    assert not change.churn
    assert rest == []


def test_an_hour_of_steady_noise_is_silent() -> None:
    assert sum(len(watched(noisy(100, 3600, 0.01, seed))) for seed in range(5)) == 0


def test_a_slow_drift_is_silent() -> None:
    values = [v * (1 + 0.04 * n / 7200) for n, v in enumerate(noisy(100, 7200, 0.005, 3))]
    assert watched(values) == []


def test_churning_water_is_seen_as_churn_or_step() -> None:
    generator = random.Random(4)
    churned = [100 * generator.lognormvariate(0, 0.8) for _ in range(300)]
    assert watched(noisy(100, 900, 0.005, 5) + churned) != []


def test_a_meter_that_shows_whole_litres_is_no_step() -> None:
    values = [float(round(v)) for v in noisy(32, 3600, 0.01, 6)]
    assert watched(values) == []


def test_it_needs_minutes_of_baseline_first() -> None:
    assert watched(noisy(100, 120, 0.01, 7) + noisy(50, 60, 0.01, 8)) == []
