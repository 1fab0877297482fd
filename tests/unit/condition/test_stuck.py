"""Signals too even to be water, and water that is even enough to be mistaken for one."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterable

import pytest

from monitor.condition.stuck import FRESH, is_stuck
from monitor.records import FlowReading, PulseReading, Quality


def first_stuck(readings: Iterable[PulseReading | FlowReading]) -> float | None:
    """Seconds until the signal is first called stuck."""
    state, time_s = FRESH, 0.0
    for reading in readings:
        time_s += reading.span_s
        state, stuck = is_stuck(state, reading)
        if stuck:
            return time_s
    return None


def counted(rates: Iterable[float], span_s: float = 1.0) -> Iterable[PulseReading]:
    """Whole pulses of a rate that changes from reading to reading."""
    rest = 0.0
    for rate in rates:
        rest += rate * span_s
        pulses = int(rest)
        rest -= pulses
        yield PulseReading("left", span_s, pulses)


def flows(values: Iterable[float], span_s: float = 1.0) -> Iterable[FlowReading]:
    return (FlowReading("left", span_s, value) for value in values)


def rotor(rate: float, noise: float, seed: int, seconds: int) -> Iterable[float]:
    generator = random.Random(seed)
    return (rate * (1 + generator.gauss(0, noise)) for _ in range(seconds))


def grid(nominal: float, seed: int, seconds: int) -> Iterable[float]:
    """A grid wanders slowly within ±0.2 % of nominal (from memory)."""
    generator, off = random.Random(seed), 0.0
    for _ in range(seconds):
        off += generator.gauss(0, 0.0005) - off * 0.002
        yield nominal + off


class TestMains:
    @pytest.mark.parametrize("nominal", [50.0, 60.0, 100.0, 120.0])
    @pytest.mark.parametrize("seed", range(5))
    def test_hum_is_told_within_half_an_hour(self, nominal: float, seed: int) -> None:
        found = first_stuck(counted(grid(nominal, seed, 3600)))
        assert found is not None
        assert found <= 1800

    def test_a_perfect_mains_is_told_after_a_quarter_of_an_hour(self) -> None:
        assert first_stuck(counted(itertools.repeat(50.02, 3600))) == pytest.approx(900, abs=15)

    @pytest.mark.parametrize("noise", [0.01, 0.005])
    @pytest.mark.parametrize("rate", [50.0, 60.0, 100.0])
    def test_a_rotor_at_just_that_rate_is_water(self, rate: float, noise: float) -> None:
        for seed in range(3):
            assert first_stuck(counted(rotor(rate, noise, seed, 2 * 86400 // 3))) is None

    def test_a_very_even_rotor_that_slows_through_the_mains_rate_is_water(self) -> None:
        slowing = (r - 4.0 * n / 86400 for n, r in enumerate(rotor(52.0, 0.002, 1, 86400)))
        assert first_stuck(counted(slowing)) is None

    def test_hum_after_water_is_told(self) -> None:
        rates = [*rotor(80.0, 0.01, 1, 3600), *grid(50.0, 2, 3600)]
        found = first_stuck(counted(rates))
        assert found is not None
        assert 3600 < found <= 3600 + 1800

    def test_an_even_rotor_beside_the_mains_is_water(self) -> None:
        assert first_stuck(counted(rotor(51.0, 0.002, 1, 86400))) is None

    def test_it_is_water_again_once_the_wire_is_mended(self) -> None:
        state, stuck = FRESH, False
        for reading in counted(itertools.repeat(50.0, 1000)):
            state, stuck = is_stuck(state, reading)
        assert stuck
        for reading in counted(rotor(90.0, 0.01, 1, 20)):
            state, stuck = is_stuck(state, reading)
        assert not stuck

    def test_a_minutes_cadence_tells_it_too(self) -> None:
        assert first_stuck(counted(itertools.repeat(50.01, 120), 60.0)) is not None


class TestFrozen:
    def test_a_value_that_stands_still_after_changing_is_stuck_in_ten_minutes(self) -> None:
        lively = list(rotor(3e-4, 0.01, 1, 600))
        found = first_stuck(flows([*lively, *[3.1e-4] * 1200]))
        assert found == pytest.approx(1200, abs=2)

    def test_a_meter_that_shows_whole_litres_often_stands_still(self) -> None:
        wandering = (round(v / 20) * 20.0 for v in rotor(1000, 0.002, 2, 86400))
        assert first_stuck(flows(v / 3.6e6 for v in wandering)) is None

    def test_no_flow_is_not_a_frozen_value(self) -> None:
        lively = list(rotor(3e-4, 0.01, 1, 600))
        assert first_stuck(flows([*lively, *[0.0] * 86400])) is None

    def test_a_meter_that_never_changed_is_not_judged(self) -> None:
        assert first_stuck(flows([3e-4] * 86400)) is None

    def test_a_frozen_counter_of_many_pulses_is_stuck(self) -> None:
        readings = [PulseReading("left", 1.0, 137)] * 700
        assert first_stuck(readings) == 600

    def test_a_slow_rotor_gives_the_same_small_count_for_long(self) -> None:
        assert first_stuck([PulseReading("left", 1.0, 5)] * 7200) is None


@pytest.mark.parametrize(
    "reading",
    [
        PulseReading("left", 0.0, 5),
        PulseReading("left", float("nan"), 5),
        PulseReading("left", 1.0, -1),
        PulseReading("left", 1.0, 10**400),
        PulseReading("left", 1.0, 5, Quality.NOISY),
        FlowReading("left", 1.0, None),
        FlowReading("left", 1.0, float("nan")),
        FlowReading("left", 1e308, 3e-4),
    ],
)
def test_readings_that_say_nothing_change_nothing(reading: PulseReading | FlowReading) -> None:
    assert is_stuck(FRESH, reading) == (FRESH, False)
