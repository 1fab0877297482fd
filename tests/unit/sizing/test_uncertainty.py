"""The plausible range: how inputs are sampled, what it covers, and what decides it.

The 'true' filters that the range must cover are drawn by Python's own `random.triangular` and solved
one at a time. All set-ups are invented.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from pathlib import Path
from statistics import fmean, pvariance
from typing import Any

import numpy as np
import pytest

from monitor.settings.convert import installation
from monitor.settings.load import load
from monitor.settings.model import FilterSettings
from monitor.sizing.circuit import Circuit, Fitting, Hose, solve_flow_m3_per_s
from monitor.sizing.media import MATERIALS, layer
from monitor.sizing.pump import pump_from_rating
from monitor.sizing.report import Installation
from monitor.sizing.uncertainty import (
    Ensemble,
    Sampler,
    ensemble,
    influences,
    spread,
    triangular,
)
from monitor.sizing.water import water
from monitor.units import m3_per_s

EXAMPLES = Path(__file__).resolve().parents[3] / "deploy" / "examples"
Draw = Callable[[str, float, float, float], float]

# Low, likely, high; peaks in the middle, off it, and at either end.
SHAPES = [(0.9, 1.0, 1.1), (3.0, 5.0, 8.0), (0.02, 0.05, 0.08), (1.0, 1.0, 3.0), (0.0, 4.0, 4.0)]


def share_below(x: float, low: float, likely: float, high: float) -> float:
    """Distribution function of the triangular distribution, the textbook's two branches."""
    if x < likely:
        return (x - low) ** 2 / ((high - low) * (likely - low))
    if x >= high:
        return 1.0
    return 1 - (high - x) ** 2 / ((high - low) * (high - likely))


# Sampling ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("low", "likely", "high"), SHAPES)
def test_quantiles_undo_the_distribution_function(low: float, likely: float, high: float) -> None:
    shares = np.linspace(0.001, 0.999, 997)
    values = triangular(shares, low, likely, high)
    back = [share_below(float(x), low, likely, high) for x in values]
    assert back == pytest.approx(shares, abs=1e-12)


@pytest.mark.parametrize(("low", "likely", "high"), SHAPES)
def test_the_ends_of_the_range_are_its_quantiles_0_and_1(
    low: float, likely: float, high: float
) -> None:
    assert triangular(np.array([0.0, 1.0]), low, likely, high) == pytest.approx([low, high])


@pytest.mark.parametrize(("low", "likely", "high"), SHAPES)
def test_mean_and_variance_are_those_of_the_triangle(
    low: float, likely: float, high: float
) -> None:
    """Mean (a + b + c)/3, variance (a² + b² + c² − ab − ac − bc)/18."""
    a, b, c = low, high, likely
    drawn: Any = Sampler(2000, seed=3).draw("x", low, likely, high)
    assert drawn.mean() == pytest.approx((a + b + c) / 3, abs=1e-3 * (b - a))
    variance = (a * a + b * b + c * c - a * b - a * c - b * c) / 18
    assert drawn.var() == pytest.approx(variance, rel=0.01)
    assert drawn.min() >= low
    assert drawn.max() <= high


def test_each_stratum_holds_one_sample() -> None:
    """Latin hypercube: of n samples one lies between every two n-tiles."""
    drawn: Any = Sampler(500, seed=8).draw("x", 3.0, 5.0, 8.0)
    strata = sorted(int(500 * share_below(float(x), 3.0, 5.0, 8.0)) for x in drawn)
    assert strata == list(range(500))


def test_inputs_are_sampled_without_regard_to_one_another() -> None:
    sampler = Sampler(2000, seed=4)
    names = [f"input {n}" for n in range(6)]
    drawn = np.array([sampler.draw(name, 0.0, 1.0, 2.0) for name in names])
    apart = np.corrcoef(drawn) - np.eye(6)
    assert np.abs(apart).max() < 4 / math.sqrt(2000)  # four standard deviations


def test_an_input_asked_for_twice_is_the_same_samples() -> None:
    """A hose bore that two parts share is one bore; its range may not be asked for anew."""
    sampler = Sampler(100)
    first = sampler.draw("bore", 15.0, 16.0, 17.0)
    sampler.draw("other", 0.0, 1.0, 2.0)
    assert sampler.draw("bore", 15.0, 16.0, 17.0) is first
    assert list(sampler.inputs) == ["bore", "other"]


def test_the_same_seed_gives_the_same_samples() -> None:
    one, two, other = (Sampler(50, seed).draw("x", 0.0, 1.0, 2.0) for seed in (7, 7, 8))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)


# What is taken where the description gives no range -----------------------------------------------


def asked_for(**tables: Any) -> dict[str, tuple[float, float, float]]:
    """Every input that is sampled, with the range that it is sampled from."""
    asked: dict[str, tuple[float, float, float]] = {}

    def draw(label: str, low: float, likely: float, high: float) -> float:
        asked[label] = (low, likely, high)
        return likely

    raw: dict[str, Any] = {
        "flow_sensor": {"pin": 17, "loss_coefficient": 0},
        "pump": {"rated_flow_l_per_h": 1000, "max_head_m": 1.5},
    }
    installation("left", FilterSettings.model_validate(raw | tables), draw=draw)
    return asked


def test_the_figures_of_the_box_are_taken_for_ten_per_cent() -> None:
    """±10 % is common practice, no source; the exponent's 1.5 to 2.5 is from memory."""
    asked = asked_for()
    assert asked["pump.rated_flow_l_per_h"] == pytest.approx((900, 1000, 1100))
    assert asked["pump.max_head_m"] == pytest.approx((1.35, 1.5, 1.65))
    assert asked["pump.curve_exponent"] == pytest.approx((1.5, 2.0, 2.5))
    assert len(asked) == 3


def test_a_range_that_is_given_is_taken_as_it_is() -> None:
    asked = asked_for(
        pump={"rated_flow_l_per_h": [950, 1010], "max_head_m": [1.4, 1.42, 1.5]},
        hoses={"a": {"bore_mm": [15, 17], "length_m": 2}},
        tank={"temperature_c": [20, 22, 30]},
    )
    assert asked["pump.rated_flow_l_per_h"] == pytest.approx((950, 980, 1010))
    assert asked["pump.max_head_m"] == pytest.approx((1.4, 1.42, 1.5))
    assert asked["hoses.a.bore_mm"] == pytest.approx((15, 16, 17))
    assert asked["tank.temperature_c"] == pytest.approx((20, 22, 30))
    assert "hoses.a.length_m" not in asked


def test_measured_points_and_own_coefficients_are_certain() -> None:
    asked = asked_for(
        pump={"points": [[0, 1.5], [500, 1.1], [950, 0.1]]},
        hoses={"a": {"bore_mm": 16, "length_m": 2}},
        fittings={"a": {"kind": "strainer", "bore_mm": 16, "loss_coefficient": 2.2}},
    )
    assert asked == {}


def test_figures_from_memory_have_wide_ranges() -> None:
    """No maker publishes them: strainer, flow sensor, ribbed wall, foam and rings."""
    asked = asked_for(
        flow_sensor={"pin": 17},
        hoses={"a": {"bore_mm": 16, "length_m": 2, "wall": "ribbed"}},
        fittings={"a": {"kind": "strainer", "bore_mm": 16}},
        media={
            "rings": {"material": "large rings", "depth_mm": 60},
            "foam": {"material": "foam 20 ppi", "depth_mm": 60},
        },
    )
    for label in ("flow_sensor.loss_coefficient", "fittings.a.loss_coefficient", "hoses.a.wall"):
        low, likely, high = asked[label]
        assert low < likely < high
        assert high / low > 2
    assert asked["media.rings.resistance"] == pytest.approx((0.5, 1.0, 1.5))
    assert asked["media.foam.resistance"] == pytest.approx((0.2, 1.0, 1.8))


# Coverage ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "name"),
    [("planted", "planted"), ("community", "hall"), ("marine", "reef"), ("pair", "east")],
)
def test_nine_true_filters_in_ten_lie_in_the_plausible_range(file: str, name: str) -> None:
    """2,500 true filters, drawn by another generator and solved by the scalar solver."""
    tree = load(EXAMPLES / f"{file}.toml").tree
    rng = random.Random(2026)

    def built(draw: Draw) -> Installation:
        return installation(name, tree.filters[name], tree.materials, draw)

    def true_flow() -> float:
        drawn: dict[str, float] = {}

        def draw(label: str, low: float, likely: float, high: float) -> float:
            if label not in drawn:
                drawn[label] = rng.triangular(low, high, likely)
            return drawn[label]

        made = built(draw)
        at = water(made.temperature_c, made.salinity_g_per_kg)
        return solve_flow_m3_per_s(made.circuit, at)

    found = spread(ensemble(lambda sampler: built(sampler.draw), seed=19))  # type: ignore[union-attr]
    true = [true_flow() for _ in range(2500)]
    assert fmean(found.low <= flow <= found.high for flow in true) == pytest.approx(0.90, abs=0.025)
    # as many on either side
    assert fmean(flow < found.low for flow in true) == pytest.approx(0.05, abs=0.02)
    assert fmean(flow < found.median for flow in true) == pytest.approx(0.50, abs=0.04)
    assert found.samples == 2000


def test_another_seed_gives_the_same_range_within_a_per_cent() -> None:
    first, second = (spread(ensemble(described, seed=seed)) for seed in (1, 2))
    assert second.low == pytest.approx(first.low, rel=0.01)
    assert second.median == pytest.approx(first.median, rel=0.01)
    assert second.high == pytest.approx(first.high, rel=0.01)
    assert spread(ensemble(described, seed=1)) == first


# What decides the range -------------------------------------------------------------------------

# An invented filter: low, likely, high of each input.
INPUTS = {
    "pump.rated_flow_l_per_h": (900.0, 1000.0, 1100.0),
    "pump.max_head_m": (1.35, 1.5, 1.65),
    "pump.curve_exponent": (1.5, 2.0, 2.5),
    "hose.bore_mm": (15.5, 16.0, 16.5),
    "strainer.k": (0.5, 2.0, 4.0),
    "sensor.k": (3.0, 5.0, 8.0),
    "foam.resistance": (0.2, 1.0, 1.8),
}
LIKELY = {name: likely for name, (_, likely, _) in INPUTS.items()}


def circuit_of(v: Mapping[str, Any]) -> Circuit:
    bore = v["hose.bore_mm"] / 1000
    pump = pump_from_rating(
        m3_per_s(v["pump.rated_flow_l_per_h"]), v["pump.max_head_m"], v["pump.curve_exponent"]
    )
    parts = (
        Hose("hose", bore, 3.0),
        Fitting("strainer", 0.016, v["strainer.k"]),
        Fitting("sensor", 0.013, v["sensor.k"]),
        layer("foam", MATERIALS["foam 20 ppi"], 0.06, 0.03, v["foam.resistance"]),
    )
    return Circuit(pump, parts)


def described(sampler: Sampler | None, names: tuple[str, ...] = tuple(INPUTS)) -> Installation:
    values = dict(LIKELY)
    if sampler is not None:
        values |= {name: sampler.draw(name, *INPUTS[name]) for name in names}
    return Installation("left", circuit_of(values), 25.0, 0.0, 0.0)


def flow_of(changes: Mapping[str, float]) -> float:
    return solve_flow_m3_per_s(circuit_of(LIKELY | dict(changes)), water(25))


def test_shares_agree_with_one_input_at_a_time() -> None:
    """Variance with one input free over the variance with all free, both by brute force."""
    rng = random.Random(77)

    def varied(names: tuple[str, ...]) -> float:
        def changed() -> dict[str, float]:
            ranges = ((name, *INPUTS[name]) for name in names)
            return {name: rng.triangular(low, high, likely) for name, low, likely, high in ranges}

        return pvariance([flow_of(changed()) for _ in range(3000)])

    whole = varied(tuple(INPUTS))
    by_hand = {name: varied((name,)) / whole for name in INPUTS}
    found = {row.label: row.share for row in influences(ensemble(described, seed=6))}
    for name, share in by_hand.items():
        assert found.get(name, 0.0) == pytest.approx(share, abs=0.06)
    assert next(iter(found)) == max(by_hand, key=lambda name: by_hand[name])
    assert "foam.resistance" not in found  # clean foam costs millimetres


def test_influences_are_ranked_and_add_up_to_about_one() -> None:
    rows = influences(ensemble(described))
    shares = [row.share for row in rows]
    assert shares == sorted(shares, reverse=True)
    assert min(shares) >= 0.01
    assert sum(shares) == pytest.approx(1.0, abs=0.08)


@pytest.mark.parametrize("name", ["sensor.k", "strainer.k", "hose.bore_mm", "pump.max_head_m"])
def test_an_input_that_alone_is_uncertain_explains_everything(name: str) -> None:
    (row,) = influences(ensemble(lambda sampler: described(sampler, (name,))))
    assert row.label == name
    assert row.share == pytest.approx(1.0, abs=0.02)


def test_the_input_with_the_widest_effect_stands_first() -> None:
    """From low to high each moves the flow by itself; the order is that of these steps."""
    names = ("sensor.k", "strainer.k", "hose.bore_mm")
    step = {
        name: abs(flow_of({name: INPUTS[name][0]}) - flow_of({name: INPUTS[name][2]}))
        for name in names
    }
    rows = influences(ensemble(lambda sampler: described(sampler, names)))
    assert [row.label for row in rows] == sorted(names, key=lambda name: -step[name])


def test_an_input_without_a_range_is_not_among_the_influences() -> None:
    raw = {
        "flow_sensor": {"pin": 17, "loss_coefficient": [3, 8]},
        "pump": {"points": [[0, 1.5], [500, 1.1], [950, 0.1]]},
        "hoses": {"a": {"bore_mm": 16, "length_m": [3, 3]}},
    }
    settings = FilterSettings.model_validate(raw)
    found = spread(ensemble(lambda s: installation("left", settings, draw=s.draw)))  # type: ignore[union-attr]
    assert [row.label for row in found.influences] == ["flow_sensor.loss_coefficient"]


def test_a_filter_that_is_certain_has_no_spread() -> None:
    found = spread(ensemble(lambda sampler: described(sampler, ()), count=50))
    assert found.low == found.median == found.high
    assert found.median == pytest.approx(flow_of({}), rel=1e-8)
    assert found.influences == ()


def test_an_input_that_never_moves_the_flow_is_left_out() -> None:
    rng = np.random.default_rng(1)
    moving, idle = rng.random(1000), rng.random(1000)
    rows = influences(Ensemble(moving * 2 + 1, {"moving": moving, "idle": idle}))
    assert [row.label for row in rows] == ["moving"]
    assert rows[0].share == pytest.approx(1.0)


def test_the_range_holds_nine_of_ten_samples() -> None:
    found = ensemble(described)
    answer = spread(found)
    inside = (found.flows >= answer.low) & (found.flows <= answer.high)
    assert inside.mean() == pytest.approx(0.9, abs=0.001)
    assert (found.flows < answer.median).mean() == pytest.approx(0.5, abs=0.001)
