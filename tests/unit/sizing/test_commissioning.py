"""Measured clean flows against the model: verdicts, coverage, and what the measurement moves.

The filter is invented. True filters are drawn by Python's own `random` and solved one at a time.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from functools import cache
from statistics import fmean, quantiles
from typing import Any

import pytest

from monitor.sizing.circuit import Circuit, Fitting, Hose, solve_flow_m3_per_s
from monitor.sizing.commissioning import Commissioning, Shift, commission, what_fits
from monitor.sizing.pump import pump_from_rating
from monitor.sizing.report import Installation
from monitor.sizing.uncertainty import Ensemble, Sampler, ensemble, spread
from monitor.sizing.water import water
from monitor.units import m3_per_s

Ranges = dict[str, tuple[float, float, float]]

PUMP: Ranges = {
    "pump.rated_flow_l_per_h": (900.0, 1000.0, 1100.0),
    "pump.max_head_m": (1.35, 1.5, 1.65),
}
LOSSES: Ranges = {"strainer.k": (0.5, 2.0, 4.0), "sensor.k": (3.0, 5.0, 8.0)}
INPUTS = PUMP | LOSSES
KNOWN_SENSOR = (*PUMP, "strainer.k")
LIKELY = {name: likely for name, (_, likely, _) in INPUTS.items()}


def circuit_of(v: Mapping[str, Any]) -> Circuit:
    pump = pump_from_rating(m3_per_s(v["pump.rated_flow_l_per_h"]), v["pump.max_head_m"])
    parts = (
        Hose("hose", 0.016, 3.0),
        Fitting("strainer", 0.016, v["strainer.k"]),
        Fitting("sensor", 0.013, v["sensor.k"]),
    )
    return Circuit(pump, parts)


@cache
def model(names: tuple[str, ...] = tuple(INPUTS), count: int = 2000) -> Ensemble:
    """The samples of a filter of which these inputs are uncertain."""

    def described(sampler: Sampler | None) -> Installation:
        assert sampler is not None
        drawn = {name: sampler.draw(name, *INPUTS[name]) for name in names}
        return Installation("left", circuit_of(LIKELY | drawn), 25.0, 0.0, 0.0)

    return ensemble(described, count, seed=23)


def flow_of(**changes: float) -> float:
    """The clean flow with some inputs other than likely, by the scalar solver."""
    named = {name.replace("__", "."): value for name, value in changes.items()}
    return solve_flow_m3_per_s(circuit_of(LIKELY | named), water(25))


@cache
def true_flows(count: int) -> tuple[float, ...]:
    """Clean flows of true filters."""
    rng = random.Random(4711)

    def one() -> float:
        drawn = {n: rng.triangular(low, high, likely) for n, (low, likely, high) in INPUTS.items()}
        return solve_flow_m3_per_s(circuit_of(drawn), water(25))

    return tuple(one() for _ in range(count))


def moved(found: Commissioning) -> dict[str, Shift]:
    return {shift.label: shift for shift in found.shifts}


# Verdict ----------------------------------------------------------------------------------------


def test_a_measurement_in_the_middle_is_expected() -> None:
    found = commission(model(), [spread(model()).median], 0.05)
    assert found.verdict == "The measurement fits the description."
    assert found.surprise > 0.95
    assert found.plausible[0] < found.measured < found.plausible[1]


@pytest.mark.parametrize("share", [0.7, 0.85])
def test_a_measurement_far_below(share: float) -> None:
    low = commission(model(), [spread(model()).median], 0.05).plausible[0]
    found = commission(model(), [share * low], 0.05)
    below = 1 - found.measured / found.plausible[0]
    assert below == pytest.approx(1 - share, abs=0.02)
    assert found.verdict.startswith(f"Measured {below:.0%} below the lowest plausible: look for a")
    for cause in ("kink", "tap half open", "blocked strainer", "air in the canister", "worn"):
        assert cause in found.verdict
    assert found.surprise < 0.01


@pytest.mark.parametrize("share", [1.15, 1.3])
def test_a_measurement_far_above(share: float) -> None:
    high = commission(model(), [spread(model()).median], 0.05).plausible[1]
    found = commission(model(), [share * high], 0.05)
    above = found.measured / found.plausible[1] - 1
    assert above == pytest.approx(share - 1, abs=0.03)
    assert found.verdict.startswith(f"Measured {above:.0%} above the highest plausible: look for a")
    for cause in ("off or leaks", "beside the media", "K factor"):
        assert cause in found.verdict
    assert found.surprise < 0.01


def test_at_the_ends_of_the_plausible_range_the_surprise_is_one_in_ten() -> None:
    """Nine of ten lie within; of the rest half lie on either side."""
    wide = commission(model(), [spread(model()).median], 0.02).plausible
    for end in wide:
        assert commission(model(), [end], 0.02).surprise == pytest.approx(0.10, abs=0.02)


# Coverage ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("error", [0.02, 0.05, 0.10])
def test_nine_measurements_in_ten_are_plausible(error: float) -> None:
    """1,000 true filters, each measured once with an error of `error` (twice the deviation)."""
    rng = random.Random(99)
    measured = [flow * rng.gauss(1.0, error / 2) for flow in true_flows(1000)]
    found = [commission(model(), [flow], error) for flow in measured]
    inside = fmean(f.plausible[0] <= f.measured <= f.plausible[1] for f in found)
    assert inside == pytest.approx(0.90, abs=0.03)
    expected = fmean(f.verdict.startswith("The measurement fits") for f in found)
    assert expected == inside


def test_a_surprise_below_one_in_five_comes_once_in_five() -> None:
    """A chance that is rightly stated comes true as often as it says."""
    rng = random.Random(7)
    measured = [flow * rng.gauss(1.0, 0.025) for flow in true_flows(1000)]
    surprises = [commission(model(), [flow], 0.05).surprise for flow in measured]
    for chance in (0.2, 0.5):
        assert fmean(s < chance for s in surprises) == pytest.approx(chance, abs=0.04)
    assert all(0.0 <= s <= 1.0 for s in surprises)


# Model and measurement together -----------------------------------------------------------------


def test_a_measurement_narrows_the_range() -> None:
    before = spread(model())
    found = commission(model(), [before.median], 0.05)
    assert found.low is not None
    assert found.high is not None
    assert before.low < found.low < before.median < found.high < before.high
    better = commission(model(), [before.median], 0.02)
    assert better.low is not None
    assert better.high is not None
    assert found.low < better.low < better.high < found.high


@pytest.mark.parametrize("share", [0.95, 1.0, 1.04])
def test_the_combined_flow_is_that_of_filters_which_measure_so(share: float) -> None:
    """Of 20,000 true filters, each measured with an error, those that measured so: their flows."""
    measured = share * spread(model()).median
    rng = random.Random(5)
    alike = [
        flow
        for flow in true_flows(20000)
        if abs(flow * rng.gauss(1.0, 0.025) / measured - 1) < 0.004
    ]
    assert len(alike) > 300
    tenths = quantiles(alike, n=20)
    found = commission(model(), [measured], 0.05)
    assert found.low == pytest.approx(tenths[0], rel=0.01)
    assert found.median == pytest.approx(tenths[9], rel=0.005)
    assert found.high == pytest.approx(tenths[18], rel=0.01)


def test_a_good_measurement_is_believed() -> None:
    """±1 % against a range of some ±8 %: the combined flow is the measured one."""
    measured = 0.96 * spread(model()).median
    found = commission(model(), [measured], 0.01)
    assert found.median == pytest.approx(measured, rel=0.002)
    assert found.low == pytest.approx(measured * (1 - 1.645 * 0.005), rel=0.002)
    assert found.high == pytest.approx(measured * (1 + 1.645 * 0.005), rel=0.002)


@pytest.mark.parametrize("share", [0.1, 0.75, 1.3, 10.0])
def test_a_measurement_that_nothing_explains_has_no_combined_flow(share: float) -> None:
    found = commission(model(), [share * spread(model()).median], 0.02)
    assert (found.median, found.low, found.high) == (None, None, None)
    assert found.shifts == ()
    assert found.surprise == pytest.approx(0.0, abs=1e-6)
    assert not found.verdict.startswith("The measurement fits")


# What moves -------------------------------------------------------------------------------------


def test_a_pump_that_is_weaker_by_eight_per_cent_is_found_out() -> None:
    weak = flow_of(pump__rated_flow_l_per_h=920, pump__max_head_m=1.5 * 0.92)
    found = commission(model(KNOWN_SENSOR), [weak], 0.03)
    for name in PUMP:
        shift = moved(found)[name]
        assert shift.after < shift.before
        assert shift.in_deviations < -0.3
        assert shift.before == pytest.approx(sum(INPUTS[name]) / 3, rel=2e-3)
        assert INPUTS[name][0] < shift.after
    assert what_fits(found.shifts) == "A weaker pump fits best."


def test_a_pump_that_is_stronger_by_eight_per_cent_is_found_out() -> None:
    strong = flow_of(pump__rated_flow_l_per_h=1080, pump__max_head_m=1.5 * 1.08)
    found = commission(model(KNOWN_SENSOR), [strong], 0.03)
    for name in PUMP:
        assert moved(found)[name].after > moved(found)[name].before
    assert what_fits(found.shifts) == "A stronger pump fits best."


def test_a_dear_flow_sensor_is_found_out_where_the_pump_is_known() -> None:
    dear = flow_of(sensor__k=7.5)
    found = commission(model(tuple(LOSSES)), [dear], 0.02)
    assert what_fits(found.shifts) == "The input that fits best when moved: sensor.k."
    shift = found.shifts[0]
    assert shift.after > shift.before
    assert shift.after == pytest.approx(7.5, abs=1.0)


def test_the_input_that_moves_farthest_stands_first() -> None:
    weak = flow_of(pump__rated_flow_l_per_h=920, pump__max_head_m=1.5 * 0.92)
    steps = [abs(shift.in_deviations) for shift in commission(model(), [weak], 0.03).shifts]
    assert steps == sorted(steps, reverse=True)
    assert min(steps) >= 0.3


def test_nothing_moves_where_the_measurement_is_the_expected_one() -> None:
    found = commission(model(), [spread(model()).median], 0.05)
    assert found.shifts == ()
    assert what_fits(found.shifts) == "Nothing in the description has to move."


# Several measurements ---------------------------------------------------------------------------


def test_several_measurements_are_averaged() -> None:
    flow = spread(model()).median
    found = commission(model(), [0.98 * flow, 1.0 * flow, 1.02 * flow], 0.05)
    assert found.measured == pytest.approx(flow, rel=1e-12)


def test_repeats_that_agree_do_not_take_away_an_error_they_share() -> None:
    """The error is the bucket's or the sensor's, and common to all."""
    flow = spread(model()).median
    once, thrice = commission(model(), [flow], 0.05), commission(model(), [flow] * 3, 0.05)
    assert thrice.plausible == pytest.approx(once.plausible, rel=1e-12)
    assert thrice.low == pytest.approx(once.low, rel=1e-12)


def test_repeats_that_scatter_add_their_own_uncertainty() -> None:
    """Two that differ by 2·d have s/√2 = d: as one with an error of 2·√(0.025² + d²)."""
    flow, d = spread(model()).median, 0.03
    found = commission(model(), [flow * (1 - d), flow * (1 + d)], 0.05)
    alike = commission(model(), [flow], 2 * math.hypot(0.025, d))
    assert found.plausible == pytest.approx(alike.plausible, rel=1e-9)
    assert found.median == pytest.approx(alike.median, rel=1e-9)
