"""Losses of each part and the operating point, against published figures and hand calculation."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import SizingError
from monitor.sizing.circuit import (
    RIBBED_ROUGHNESS_PER_BORE,
    Circuit,
    Fitting,
    Hose,
    SprayBar,
    barb_k,
    operating_point,
    reynolds,
    solve_flow_m3_per_s,
    two_k_elbow_k,
)
from monitor.sizing.pump import pump_from_points, pump_from_rating
from monitor.sizing.water import Water, water
from monitor.units import l_per_h, m3_per_s

GRAVITY = 9.80665
DRAWN_M = 1.5e-6  # wall of drawn tubing, 0.0015 mm (Moody 1944), in the hand calculations below
RHO_25, MU_25 = 997.0476, 890.022e-6  # IAPWS-95 and R12-08 at 25 °C
PLAIN = Water(1000.0, 1e-3)

Build = Callable[..., Circuit]


# Independent hand calculation ------------------------------------------------------------------


def bisect(balance: Callable[[float], float], low: float, high: float) -> float:
    """Root of a function that is positive at `low` and negative at `high`."""
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if balance(middle) > 0 else (low, middle)
    return (low + high) / 2


def colebrook(re: float, relative: float) -> float:
    """Colebrook 1939: 1/√f = −2·lg(e/3.7 + 2.51/(Re·√f))."""
    return bisect(
        lambda f: 1 / math.sqrt(f) + 2 * math.log10(relative / 3.7 + 2.51 / re / math.sqrt(f)),
        1e-3,
        1.0,
    )


def haaland(re: float, relative: float) -> float:
    """Haaland 1983: 1/√f = −1.8·lg((e/3.7)^1.11 + 6.9/Re)."""
    root = -1.8 * math.log10(math.pow(relative / 3.7, 1.11) + 6.9 / re)
    return 1 / (root * root)


def hand_loss_m(
    q: float,
    bore_mm: float = 16.0,
    k: float = 8.0,
    sensor_k: float = 0.0,
    wall_m: float = DRAWN_M,
    lift_m: float = 0.0,
) -> float:
    """Loss of the worked example at 25 °C with Colebrook, Ergun, Darcy–Forchheimer and Davies."""
    d = bore_mm / 1000
    v = q / (math.pi / 4 * d * d)
    hose = colebrook(RHO_25 * v * d / MU_25, wall_m / d) * 3.0 / d
    sensor_v = q / (math.pi / 4 * 0.010**2)
    u, solid, grain = q / 0.03, 0.37, 0.0061
    rings = 150 * MU_25 * solid**2 * u / (0.63**3 * grain**2)
    rings += 1.75 * RHO_25 * solid * u * u / (0.63**3 * grain)
    foam = MU_25 / 1.2e-7 * u + RHO_25 * 270 * u * u
    floss = MU_25 * u / (30e-6**2 / (64 * math.pow(0.03, 1.5) * (1 + 56 * 0.03**3)))
    media_m = (0.120 * rings + 0.060 * foam + 0.020 * floss) / (RHO_25 * GRAVITY)
    return lift_m + ((hose + k) * v * v + sensor_k * sensor_v * sensor_v) / (2 * GRAVITY) + media_m


def hand_flow_l_per_h(exponent: float = 2.0, **changes: float) -> float:
    """Where 1.5·(1 − (Q/1000 L/h)^p) m meets that loss, by bisection."""
    top = 1.0 / 3600
    return 3.6e6 * bisect(
        lambda q: 1.5 * (1 - math.pow(q / top, exponent)) - hand_loss_m(q, **changes),
        top * 1e-6,
        top,
    )


# Hose ------------------------------------------------------------------------------------------


def friction_factor(re: float, relative: float, bore_m: float = 0.016) -> float:
    """Darcy's f out of the model's head over one bore of hose at a Reynolds number."""
    v = re * 1e-3 / (1000 * bore_m)
    head = Hose("", bore_m, bore_m, relative).head_m(v * math.pi / 4 * bore_m**2, PLAIN)
    return head * 2 * GRAVITY / v**2


@pytest.mark.parametrize(
    ("re", "relative", "f"),
    [
        (4e3, 0, 0.039907),
        (1e4, 0, 0.030883),
        (2e4, 0, 0.025883),
        (1e5, 0, 0.017990),
        (1e5, 0.001, 0.022175),
        (1e6, 0.001, 0.019943),
        (2e4, 0.01, 0.040705),
    ],
)
def test_friction_stays_by_colebrook(re: float, relative: float, f: float) -> None:
    """Colebrook's f computed with `fluids.friction`; Churchill 1977 lies within 1.8 % of it."""
    assert colebrook(re, relative) == pytest.approx(f, rel=1e-4)  # the hand calculation holds
    assert friction_factor(re, relative) == pytest.approx(f, rel=0.018)


@pytest.mark.parametrize("re", [100.0, 500.0, 1000.0])
def test_laminar_friction_is_64_over_re(re: float) -> None:
    """Hagen–Poiseuille."""
    assert friction_factor(re, 0.0) == pytest.approx(64 / re, rel=1e-3)


def test_friction_of_smooth_plastic_pipe_as_crane_prints_it() -> None:
    """Crane TP-410 example 7.1 as printed: Re = 100 600, f = 0.0179."""
    assert friction_factor(100_600, 0.0) == pytest.approx(0.0179, rel=5e-3)


@pytest.mark.parametrize(
    ("bore_mm", "re", "slope", "k1_m"),
    [
        (12, 19_811, 0.242, 0.111),
        (16, 14_858, 0.0615, 0.0350),
        (20, 11_887, 0.0213, 0.0143),
    ],
)
def test_600_l_per_h_in_the_usual_hoses(
    bore_mm: float, re: float, slope: float, k1_m: float
) -> None:
    """25 °C, by hand with Colebrook and drawn tubing: Re, m per m of hose, and m for K = 1."""
    bore, flow, kind = bore_mm / 1000, m3_per_s(600), water(25)
    assert reynolds(flow, bore, kind) == pytest.approx(re, rel=1e-4)
    drawn = Hose("", bore, 1.0, DRAWN_M / bore).head_m(flow, kind)
    assert drawn == pytest.approx(slope, rel=6e-3)
    smooth = Hose("", bore, 1.0).head_m(flow, kind)
    assert smooth == pytest.approx(slope, rel=0.015)
    assert smooth == pytest.approx(haaland(re, 0.0) / bore * k1_m, rel=0.01)
    assert Fitting("", bore, 1.0).head_m(flow, kind) == pytest.approx(k1_m, rel=4e-3)


def test_a_ribbed_hose_costs_two_to_three_times_a_smooth_one() -> None:
    """Fully rough Colebrook at e/D = 0.05 by hand: f = 0.0716."""
    assert friction_factor(1e8, RIBBED_ROUGHNESS_PER_BORE[1]) == pytest.approx(0.0716, rel=5e-3)
    assert 2 < friction_factor(15e3, RIBBED_ROUGHNESS_PER_BORE[1]) / friction_factor(15e3, 0) < 3


# Fittings --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("re", "k"), [(5e3, 1.195), (1e4, 1.115), (2e4, 1.075)])
def test_two_k_elbow(re: float, k: float) -> None:
    """Hooper 1981, standard screwed elbow of 0.63 inch; computed with `fluids.fittings.Hooper2K`."""
    by_hand = 800 / re + 0.4 * (1 + 1 / 0.63)
    assert by_hand == pytest.approx(k, abs=1e-3)
    bore_m = 0.63 * 0.0254
    laminar, at_infinity = two_k_elbow_k(bore_m)
    flow = re * 1e-3 / (1000 * bore_m) * math.pi / 4 * bore_m**2
    one = Fitting("", bore_m, 1.0).head_m(flow, PLAIN)
    elbow = Fitting("", bore_m, at_infinity, laminar).head_m(flow, PLAIN)
    assert elbow / one == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize(
    ("beta", "k"), [(0.6, 5.63), (0.7, 2.15), (0.75, 1.30), (0.8, 0.756), (0.9, 0.200)]
)
def test_barb_narrower_than_its_hose(beta: float, k: float) -> None:
    """Crane TP-410 contraction and expansion, on the hose's velocity, by hand."""
    assert barb_k(0.016, beta * 0.016) == pytest.approx(k, rel=3e-3)


def test_barb_of_half_the_bore_from_the_printed_coefficients() -> None:
    """Crane TP-410 at β = 0.5: contraction 0.375 and expansion 0.5625 on the barb's velocity."""
    assert barb_k(0.016, 0.008) == pytest.approx((0.375 + 0.5625) / 0.5**4, rel=1e-12)


@pytest.mark.parametrize("barb_mm", [16, 20])
def test_a_barb_as_wide_as_its_hose_costs_nothing(barb_mm: float) -> None:
    assert barb_k(0.016, barb_mm / 1000) == 0.0


def test_equal_fittings_add_up() -> None:
    flow, one = m3_per_s(700), Fitting("", 0.016, 0.9, 800.0)
    four = Fitting("", 0.016, 0.9, 800.0, count=4)
    assert four.head_m(flow, PLAIN) == pytest.approx(4 * one.head_m(flow, PLAIN), rel=1e-12)


# Spray bar -------------------------------------------------------------------------------------


def hand_bar_m(flow: float, holes: int, hole_m: float, bore_m: float) -> float:
    """E of Q = n·A·(0.63 − 0.58·v²/(2gE))·√(2gE), v in the bar just upstream, by bisection."""
    v = flow / (math.pi / 4 * bore_m**2)
    area = holes * math.pi / 4 * hole_m**2

    def short(e: float) -> float:
        x2 = 2 * GRAVITY * e
        return flow - area * (0.63 - 0.58 * v * v / x2) * math.sqrt(x2)

    return bisect(short, 1e-9, 100.0)


@pytest.mark.parametrize(
    ("holes", "hole_mm", "bore_mm"),
    [(10, 4, 16), (20, 3, 16), (16, 5, 16), (10, 4, 12), (1, 9, 20)],
)
def test_spray_bar_follows_the_diffuser_law(holes: int, hole_mm: float, bore_mm: float) -> None:
    """Port of a manifold, C_d = 0.63 − 0.58·v²/(2gE): a laboratory sheet on outfall diffusers."""
    flow, hole, bore = m3_per_s(600), hole_mm / 1000, bore_mm / 1000
    assert SprayBar("", bore, holes, hole).head_m(flow, PLAIN) == pytest.approx(
        hand_bar_m(flow, holes, hole, bore), rel=1e-9
    )


@pytest.mark.parametrize(
    ("holes", "hole_mm", "head_m"), [(10, 4, 0.233), (20, 3, 0.184), (16, 5, 0.037)]
)
def test_spray_bar_on_a_wide_pipe_is_a_row_of_sharp_holes(
    holes: int, hole_mm: float, head_m: float
) -> None:
    """600 L/h by hand with C_d 0.62; the law's 0.63 in still water asks for (0.62/0.63)² of it."""
    head = SprayBar("", 0.2, holes, hole_mm / 1000).head_m(m3_per_s(600), PLAIN)
    assert head == pytest.approx(head_m * (0.62 / 0.63) ** 2, abs=6e-4)


@pytest.mark.parametrize(
    "part",
    [Hose("", 0.016, 3.0), Fitting("", 0.016, 2.0, 800.0), SprayBar("", 0.016, 10, 0.004)],
    ids=lambda part: type(part).__name__,
)
def test_still_water_costs_nothing_and_more_flow_costs_more(
    part: Hose | Fitting | SprayBar,
) -> None:
    assert part.head_m(0.0, PLAIN) == 0.0
    heads = [part.head_m(m3_per_s(q), PLAIN) for q in range(10, 2000, 10)]
    assert all(0 < low < high for low, high in itertools.pairwise(heads))


# Operating point -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "l_h"),
    [
        ({}, 735.2),
        ({"bore_mm": 12}, 496),
        ({"k": 20}, 615),
        ({"exponent": 1}, 643),
        ({"exponent": 1.5}, 698),
        ({"exponent": 3}, 784),
    ],
)
def test_worked_example(example: Build, changes: dict[str, float], l_h: float) -> None:
    """By hand at 25 °C with Colebrook and drawn tubing; the model's hose is smooth."""
    assert hand_flow_l_per_h(**changes) == pytest.approx(l_h, rel=1.5e-3)
    flow = l_per_h(solve_flow_m3_per_s(example(**changes), water(25)))
    assert flow == pytest.approx(l_h, rel=3e-3)


@pytest.mark.parametrize(
    "changes",
    [
        {"sensor_k": 3},
        {"sensor_k": 8},
        {"lift_m": 0.4},
        {"bore_mm": 20, "k": 3, "lift_m": 0.1},
        {"bore_mm": 12, "exponent": 3, "sensor_k": 5},
    ],
)
def test_other_circuits_agree_with_the_hand_calculation(
    example: Build, changes: dict[str, float]
) -> None:
    """Same laws as above; K of a flow sensor from memory."""
    flow = l_per_h(solve_flow_m3_per_s(example(**changes), water(25)))
    assert flow == pytest.approx(hand_flow_l_per_h(**changes), rel=4e-3)


def test_a_ribbed_hose_in_the_worked_example(example: Build) -> None:
    """e/D 0.05 cuts 735 to 642 L/h, by hand with Colebrook."""
    flow = solve_flow_m3_per_s(example(roughness_per_bore=0.05), water(25))
    assert l_per_h(flow) == pytest.approx(642, rel=3e-3)
    assert hand_flow_l_per_h(wall_m=0.05 * 0.016) == pytest.approx(642, rel=3e-3)


@pytest.mark.parametrize(("celsius", "l_h"), [(15, 730.7), (25, 735.2), (30, 737.1)])
def test_temperature_hardly_matters(example: Build, celsius: float, l_h: float) -> None:
    """By hand: +0.06 % per kelvin."""
    flow = l_per_h(solve_flow_m3_per_s(example(), water(celsius)))
    assert flow == pytest.approx(l_h, rel=1.5e-3)


@pytest.mark.parametrize(
    ("label", "head_m", "tolerance"),
    [
        ("hose", 0.263, 0.003),
        ("fittings", 0.421, 0.001),
        ("rings", 0.0004, 0.00005),
        ("foam", 0.0004, 0.00005),
        ("floss", 0.0046, 0.0001),
    ],
)
def test_what_each_part_of_the_worked_example_costs(
    example: Build, label: str, head_m: float, tolerance: float
) -> None:
    """By hand: 0.689 m in all. Clean media cost millimetres, hose and fittings decimetres."""
    point = operating_point(example(), water(25))
    assert point.head_m == pytest.approx(0.689, abs=0.002)
    loss = next(x for x in point.losses if x.label == label)
    assert loss.head_m == pytest.approx(head_m, abs=tolerance)


# L/h, m and s²/m⁵ by hand at 25 °C: what fouling must add to the worked example for that flow.
EXCESS = [
    (650, 0.320, 9.83e6),
    (600, 0.491, 1.77e7),
    (550, 0.648, 2.78e7),
    (500, 0.792, 4.11e7),
    (400, 1.041, 8.43e7),
    (300, 1.237, 1.78e8),
]


@pytest.mark.parametrize(("l_h", "head_m", "k"), EXCESS)
def test_excess_head_of_a_fouled_filter(
    example: Build, l_h: float, head_m: float, k: float
) -> None:
    circuit, flow = example(), m3_per_s(l_h)
    excess = circuit.pump.head_m(flow) - circuit.loss_m(flow, water(25))
    assert excess == pytest.approx(head_m, abs=0.0025)
    assert excess / flow**2 == pytest.approx(k, rel=7e-3)
    assert 1.5 * (1 - (l_h / 1000) ** 2) - hand_loss_m(flow) == pytest.approx(head_m, abs=1e-3)


@pytest.mark.parametrize(("l_h", "head_m", "k"), EXCESS)
def test_that_resistance_gives_that_flow(
    example: Build, l_h: float, head_m: float, k: float
) -> None:
    assert head_m == pytest.approx(k * m3_per_s(l_h) ** 2, rel=3e-3)
    flow = solve_flow_m3_per_s(example(), water(25), extra_s2_per_m5=k)
    assert l_per_h(flow) == pytest.approx(l_h, rel=2e-3)


def test_shares_of_the_losses_add_up_to_the_pump_head(example: Build) -> None:
    circuit = example(sensor_k=5, lift_m=0.2)
    point = operating_point(circuit, water(25))
    assert sum(x.head_m for x in point.losses) == pytest.approx(point.head_m, rel=1e-6)
    assert sum(x.share for x in point.losses) == pytest.approx(1.0)
    assert point.losses[-1].label == "lift above the water"
    assert point.losses[-1].head_m == 0.2


def test_a_circuit_without_losses_gives_the_rated_flow() -> None:
    pump = pump_from_rating(m3_per_s(1000), 1.5)
    assert solve_flow_m3_per_s(Circuit(pump, ()), PLAIN) == m3_per_s(1000)


def test_a_measured_pump_meets_the_circuit_where_its_parabola_does() -> None:
    """H = 1.6 − 0.4·x − x² against 0.6 m of lift alone, x in m³/h: x = 0.8198."""
    points = [(x / 3600, 1.6 - 0.4 * x - x * x) for x in (0.1, 0.4, 0.7, 1.0)]
    flow = solve_flow_m3_per_s(Circuit(pump_from_points(points), (), 0.6), PLAIN)
    assert flow * 3600 == pytest.approx(-0.2 + math.sqrt(0.04 + 1.0), rel=1e-8)


@pytest.mark.parametrize("lift_m", [1.5, 2.0])
def test_an_outlet_above_the_maximum_head_is_refused(example: Build, lift_m: float) -> None:
    text = rf"maximum head of 1.5 m does not reach the outlet {lift_m:g} m above the water; lower"
    with pytest.raises(SizingError, match=text):
        operating_point(example(lift_m=lift_m), water(25))


# Properties ------------------------------------------------------------------------------------

GROWN = ("bore", "length", "roughness", "k", "laminar k", "lift", "extra", "holes")


def solved(case: dict[str, float], exponent: float) -> tuple[float, Callable[[float], float]]:
    """Flow of one circuit, and its loss at any flow."""
    bore = case["bore"]
    circuit = Circuit(
        pump_from_rating(m3_per_s(1000), 1.5, exponent),
        (
            Hose("", bore, case["length"], case["roughness"]),
            Fitting("", bore, case["k"], case["laminar k"]),
            SprayBar("", bore, int(case["holes"]), 0.004),
        ),
        case["lift"],
    )
    flow = solve_flow_m3_per_s(circuit, PLAIN, case["extra"])
    return flow, lambda q: circuit.loss_m(q, PLAIN) + case["extra"] * q * q


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    case=st.fixed_dictionaries(
        {
            "bore": st.floats(0.006, 0.040),
            "length": st.floats(0.1, 20),
            "roughness": st.floats(0, 0.05),
            "k": st.floats(0, 100),
            "laminar k": st.floats(0, 3000),
            "lift": st.floats(0, 1.4),
            "extra": st.floats(0, 1e9),
            "holes": st.integers(1, 40),
        }
    ),
    grown=st.sampled_from(GROWN),
    share=st.floats(0.001, 1),
    exponent=st.floats(1, 4),
)
def test_flow_falls_as_any_single_loss_grows(
    case: dict[str, float], grown: str, share: float, exponent: float
) -> None:
    """Whatever grows, flow stays within 0 to rated and falls wherever the growth costs head."""
    worse = dict(case)
    worse[grown] = {
        "bore": case["bore"] * (1 - share / 2),
        "length": case["length"] * (1 + share),
        "roughness": case["roughness"] + 0.05 * share,
        "k": case["k"] + 100 * share,
        "laminar k": case["laminar k"] + 3000 * share,
        "lift": case["lift"] + (1.49 - case["lift"]) * share,
        "extra": case["extra"] + 1e9 * share,
        "holes": max(1, case["holes"] // 2),
    }[grown]
    before, loss = solved(case, exponent)
    after, worse_loss = solved(worse, exponent)
    rated = m3_per_s(1000)
    assert 0 < after <= before + 2e-10 * rated
    assert before <= rated
    if worse_loss(before) - loss(before) > 1e-5:
        assert after < before
