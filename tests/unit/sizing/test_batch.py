"""Many operating points at once: the same answers as one at a time, and as the laws by hand."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from fluids.friction import Churchill_1977

from monitor.errors import SizingError
from monitor.sizing.batch import solve_flows_m3_per_s
from monitor.sizing.circuit import (
    Circuit,
    Fitting,
    Hose,
    SprayBar,
    barb_k,
    solve_flow_m3_per_s,
    two_k_elbow_k,
)
from monitor.sizing.media import MATERIALS, layer
from monitor.sizing.pump import pump_from_points, pump_from_rating, scaled
from monitor.sizing.quantity import friction_factor, outside, smaller, still
from monitor.sizing.water import Water, water
from monitor.units import m3_per_s

Build = Callable[..., Circuit]

# Ordinary and odd circuits alike: low and high of every input.
BOUNDS = {
    "rated": (300.0, 3000.0),
    "head": (0.7, 3.0),
    "exponent": (1.0, 4.0),
    "speed": (0.5, 1.3),
    "remaining": (0.5, 1.0),
    "bore": (0.008, 0.030),
    "length": (0.2, 8.0),
    "wall": (0.0, 0.08),
    "k": (0.0, 30.0),
    "barb": (0.6, 1.2),
    "hole": (0.002, 0.008),
    "depth": (0.01, 0.20),
    "area": (0.005, 0.05),
    "factor": (0.5, 1.5),
    "lift": (0.0, 0.15),
    "celsius": (0.0, 40.0),
    "salt": (0.0, 40.0),
    "extra": (0.0, 1e9),
}
POINTS = [(0.0, 2.6), (m3_per_s(900), 2.1), (m3_per_s(1500), 1.35), (m3_per_s(2050), 0.2)]


def drawn(rng: random.Random) -> dict[str, float]:
    """One value of every input."""
    return {name: rng.uniform(*bounds) for name, bounds in BOUNDS.items()}


def samples(*values: float) -> Any:
    """An array where the sizing room says `float`."""
    return np.array(values)


def columns_of(rows: list[dict[str, float]]) -> dict[str, Any]:
    """The same inputs, an array of samples each."""
    return {name: samples(*(row[name] for row in rows)) for name in BOUNDS}


def circuit_of(v: Mapping[str, Any], material: str, measured_pump: bool) -> tuple[Circuit, Water]:
    """One circuit with every kind of part, from numbers or from arrays of samples."""
    new = (
        pump_from_points(POINTS)
        if measured_pump
        else pump_from_rating(m3_per_s(v["rated"]), v["head"], v["exponent"])
    )
    bore = v["bore"]
    laminar, turbulent = two_k_elbow_k(bore)
    parts = (
        Hose("hose", bore, v["length"], v["wall"]),
        Hose("smooth", bore, 1.0),
        Fitting("fitting", bore, v["k"]),
        Fitting("elbows", bore, turbulent, laminar, 3),
        Fitting("barb", bore, barb_k(bore, bore * v["barb"])),
        SprayBar("bar", bore, 12, v["hole"]),
        layer("bed", MATERIALS[material], v["depth"], v["area"], v["factor"]),
    )
    at = water(v["celsius"], v["salt"])
    return Circuit(scaled(new, v["speed"], v["remaining"]), parts, v["lift"]), at


@pytest.mark.parametrize("measured_pump", [False, True], ids=["box", "points"])
@pytest.mark.parametrize("material", ["large rings", "foam 20 ppi", "floss", "granular carbon"])
def test_every_sample_is_what_the_scalar_solver_finds(material: str, measured_pump: bool) -> None:
    """All inputs are arrays here; one at a time they pass through the library `fluids`."""
    rng = random.Random(11)
    rows = [drawn(rng) for _ in range(150)]
    columns = columns_of(rows)
    circuit, at = circuit_of(columns, material, measured_pump)
    flows = solve_flows_m3_per_s(circuit, at, len(rows), columns["extra"])
    for row, flow in zip(rows, flows, strict=True):
        one, its_water = circuit_of(row, material, measured_pump)
        alone = solve_flow_m3_per_s(one, its_water, row["extra"])
        assert flow == pytest.approx(alone, rel=1e-8)


@pytest.mark.parametrize("seed", range(40))
def test_a_circuit_of_plain_numbers_is_solved_as_well(seed: int) -> None:
    rng = random.Random(seed)
    row, material = drawn(rng), rng.choice(list(MATERIALS))
    circuit, at = circuit_of(row, material, measured_pump=seed % 2 == 0)
    alone = solve_flow_m3_per_s(circuit, at, row["extra"])
    assert solve_flows_m3_per_s(circuit, at, 3, row["extra"]) == pytest.approx(
        [alone] * 3, rel=1e-8
    )


def test_the_worked_example_in_three_bores(example: Build) -> None:
    """By hand at 25 °C with Colebrook: 735 L/h through 16 mm, 496 L/h through 12 mm."""
    bores = samples(0.012, 0.016, 0.020)
    parts = (Hose("hose", bores, 3.0), Fitting("fittings", bores, 8.0))
    circuit = Circuit(example().pump, parts)
    flows = solve_flows_m3_per_s(circuit, water(25), 3) * 3.6e6
    assert flows[:2] == pytest.approx([496, 735.2], rel=5e-3)
    assert flows[2] > flows[1]


def test_the_pump_head_is_used_up_in_every_sample() -> None:
    rng = random.Random(5)
    rows = [drawn(rng) for _ in range(100)]
    circuit, at = circuit_of(columns_of(rows), "floss", False)
    flows: Any = solve_flows_m3_per_s(circuit, at, 100)
    left = circuit.pump.head_m(flows) - circuit.loss_m(flows, at)
    assert np.abs(left) == pytest.approx(0.0, abs=1e-8)
    assert np.all((flows > 0) & (flows <= circuit.pump.rated_flow_m3_per_s))


@pytest.mark.parametrize("share", [0.5, 0.9, 0.99, 0.999])
def test_an_outlet_near_the_top_of_the_pump_is_still_solved(share: float) -> None:
    circuit = Circuit(pump_from_rating(1e-4, 1.5), (Hose("", 0.016, 3.0),), 1.5 * share)
    alone = solve_flow_m3_per_s(circuit, water(25))
    assert solve_flows_m3_per_s(circuit, water(25), 2) == pytest.approx([alone] * 2, rel=1e-8)


def test_a_circuit_without_losses_gives_the_rated_flow() -> None:
    flows = solve_flows_m3_per_s(Circuit(pump_from_rating(1e-4, 1.5), ()), water(25), 4)
    assert flows == pytest.approx([1e-4] * 4, rel=1e-12)


def test_lift_alone_leaves_the_flow_that_the_parabola_says() -> None:
    """H0·(1 − (Q/Qmax)²) = lift: Q = Qmax·√(1 − lift/H0), by hand."""
    lift = samples(0.0, 0.375, 0.75, 1.2)
    circuit = Circuit(pump_from_rating(1e-4, 1.5), (), lift)
    by_hand = [1e-4 * math.sqrt(1 - x / 1.5) for x in lift]
    assert solve_flows_m3_per_s(circuit, water(25), 4) == pytest.approx(by_hand, rel=1e-8)


@pytest.mark.parametrize("lift", [1.5, 1.6])
def test_one_sample_that_cannot_reach_the_outlet_is_refused(lift: float) -> None:
    lifts = samples(0.0, lift, 0.2)
    circuit = Circuit(pump_from_rating(1e-4, 1.5), (), lifts)
    with pytest.raises(SizingError, match="no flow: within its range the pump's maximum head does"):
        solve_flows_m3_per_s(circuit, water(25), 3)


# The places where a number and an array part -----------------------------------------------------


@pytest.mark.parametrize("relative", [0.0, 1e-5, 1e-3, 0.01, 0.05, 0.08])
def test_friction_of_an_array_is_churchill_as_fluids_has_it(relative: float) -> None:
    """`fluids.friction.Churchill_1977`, Reynolds numbers of 1 to 1e8."""
    reynolds: Any = np.logspace(0, 8, 1601)
    published = [Churchill_1977(float(re), relative) for re in reynolds]
    assert friction_factor(reynolds, relative) == pytest.approx(published, rel=1e-12)


def test_friction_of_an_array_of_walls() -> None:
    walls: Any = np.linspace(0.0, 0.08, 41)
    published = [Churchill_1977(15e3, float(wall)) for wall in walls]
    found = friction_factor(samples(*[15e3] * 41), walls)
    assert found == pytest.approx(published, rel=1e-12)


def test_friction_of_an_array_gives_cranes_printed_figure() -> None:
    """Crane TP-410 example 7.1 as printed: Re = 100 600, f = 0.0179; below 1000 it is 64/Re."""
    found = friction_factor(samples(100_600.0, 500.0), 0.0)
    assert found == pytest.approx([0.0179, 64 / 500], rel=5e-3)


@pytest.mark.parametrize("bad", [-0.1, 1.1, math.nan, math.inf])
def test_one_sample_outside_is_outside(bad: float) -> None:
    assert outside(samples(0.5, bad), 0.0, 1.0)
    assert outside(bad, 0.0, 1.0)


def test_the_bounds_themselves_are_inside() -> None:
    assert not outside(samples(0.0, 1.0), 0.0, 1.0)
    assert not outside(0.0, 0.0, 1.0)
    assert not outside(1.0, 0.0, 1.0)


def test_a_smaller_value_is_found_sample_by_sample() -> None:
    assert smaller(samples(0.5, 1.5), 1.0) == pytest.approx([0.5, 1.0])
    assert smaller(1.5, 1.0) == 1.0


def test_arrays_are_never_still() -> None:
    assert not still(samples(1e-5, 1e-4))
    assert still(0.0)
    assert still(0)


@pytest.mark.parametrize(("celsius", "salt"), [(41.0, 0.0), (math.nan, 0.0), (25.0, 46.0)])
def test_one_sample_of_water_outside_the_tables_is_refused(celsius: float, salt: float) -> None:
    with pytest.raises(SizingError):
        water(samples(20.0, celsius), samples(0.0, salt))
