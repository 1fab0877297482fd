"""What `canister size` answers for one filter."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.errors import SizingError
from monitor.sizing.circuit import Circuit, Fitting, Hose
from monitor.sizing.pump import pump_from_rating
from monitor.sizing.report import Installation, SizeReport, fouling_exponent, litres, size
from monitor.units import l_per_h, m3_per_s

Build = Callable[..., Circuit]


def report(circuit: Circuit, celsius: float = 25.0, tank_m3: float = 0.0) -> SizeReport:
    return size(Installation("left", circuit, celsius, 0.0, tank_m3))


def test_the_worked_example_beside_the_rule_of_the_trade(example: Build) -> None:
    """735 L/h of 1000 by hand (Colebrook, 25 °C); half of rated is common practice, no source."""
    answer = report(example())
    assert answer.filter_id == "left"
    assert answer.temperature_c == 25.0
    assert l_per_h(answer.clean_m3_per_s) == pytest.approx(735.2, rel=3e-3)
    assert answer.share_of_rated == pytest.approx(0.735, rel=3e-3)
    assert l_per_h(answer.rated_m3_per_s) == pytest.approx(1000)
    assert l_per_h(answer.rule_m3_per_s) == pytest.approx(500)


def test_turnover_is_clean_flow_over_the_tank(example: Build) -> None:
    """735.2 L/h into 180 L: 4.08 an hour."""
    assert report(example(), tank_m3=0.180).turnover_per_h == pytest.approx(4.084, rel=3e-3)


def test_a_tank_that_is_not_described_has_no_turnover(example: Build) -> None:
    assert report(example()).turnover_per_h is None


def test_sea_water_gives_nearly_the_same_flow(example: Build) -> None:
    sea = size(Installation("left", example(), 25.0, 35.0, 0.0))
    assert sea.clean_m3_per_s == pytest.approx(report(example()).clean_m3_per_s, rel=3e-3)


def test_groups_add_up_and_the_dearest_stands_first(example: Build) -> None:
    answer = report(example(sensor_k=5, lift_m=0.1))
    assert [g.group for g in answer.groups] == [
        "flow sensor",
        "fittings",
        "hose",
        "outlet",
        "media",
    ]
    assert sum(g.share for g in answer.groups) == pytest.approx(1.0)
    assert sum(g.head_m for g in answer.groups) == pytest.approx(answer.head_m, rel=1e-6)
    media = next(g for g in answer.groups if g.group == "media")
    layers = [x for x in answer.losses if x.label in ("rings", "foam", "floss")]
    assert media.head_m == pytest.approx(sum(x.head_m for x in layers))


def test_an_ordinary_circuit_gets_one_remark(example: Build) -> None:
    (remark,) = report(example()).remarks
    assert remark == "The largest single loss is fittings: 0.42 m, 61% of the head."


def test_a_starved_circuit_is_remarked_upon(example: Build) -> None:
    remarks = report(example(bore_mm=6)).remarks
    assert any("outside the 35% to 80% that ordinary set-ups give" in r for r in remarks)


def test_a_circuit_that_is_too_good_is_remarked_upon() -> None:
    circuit = Circuit(pump_from_rating(m3_per_s(1000), 1.5), (Hose("short", 0.025, 1.0),))
    assert any("outside the 35% to 80%" in r for r in report(circuit).remarks)


def test_a_narrow_flow_sensor_is_remarked_upon(example: Build) -> None:
    """K 8 in a 10 mm body takes 0.96 of 1.22 m by hand; K from memory."""
    remarks = report(example(sensor_k=8)).remarks
    assert any("The flow sensor alone takes 79% of the head" in r for r in remarks)


def test_an_outlet_above_the_water_is_remarked_upon(example: Build) -> None:
    remarks = report(example(lift_m=0.15)).remarks
    assert any("stands 0.15 m above the water" in r for r in remarks)


def test_a_circuit_without_parts_still_gets_a_report() -> None:
    answer = report(Circuit(pump_from_rating(m3_per_s(1000), 1.5), ()))
    assert answer.share_of_rated == 1.0
    assert answer.losses == ()


def test_losses_of_the_same_group_are_added() -> None:
    circuit = Circuit(
        pump_from_rating(m3_per_s(1000), 1.5),
        (Fitting("elbows", 0.016, 2.0), Fitting("tap", 0.016, 1.0)),
    )
    answer = report(circuit)
    assert len(answer.losses) == 2
    (group,) = answer.groups
    assert group.head_m == pytest.approx(answer.head_m, rel=1e-6)


def test_water_outside_the_tables_is_refused(example: Build) -> None:
    with pytest.raises(SizingError, match=r"water temperature 41\.0 °C"):
        report(example(), celsius=41.0)


def test_litres() -> None:
    assert litres(0.18) == pytest.approx(180)


def test_the_exponent_of_a_parabola_against_quadratic_losses_is_two() -> None:
    """By hand: H0/Q² = H0/Qclean² + k gives k in proportion to x^−2 − 1."""
    parts = (Fitting("all", 0.016, 10.0),)
    described = Installation("x", Circuit(pump_from_rating(m3_per_s(1000), 1.5), parts), 25, 0, 0)
    clean = size(described).clean_m3_per_s
    assert fouling_exponent(described, clean) == pytest.approx(2.0, abs=1e-6)


@pytest.mark.parametrize("curve", [1.0, 1.5, 3.0])
def test_the_exponent_gives_the_circuits_own_ratio_of_resistances(curve: float) -> None:
    """Added resistance by hand, k = (1 − (x·q)^p)/(x·q)² − c with q the clean flow over rated."""
    pump = pump_from_rating(m3_per_s(1000), 1.5, curve)
    described = Installation("x", Circuit(pump, (Fitting("all", 0.016, 10.0),)), 25, 0, 0)
    clean = size(described).clean_m3_per_s
    q = clean / m3_per_s(1000)
    loss = (1 - q**curve) / q**2
    half, most = ((1 - (x * q) ** curve) / (x * q) ** 2 - loss for x in (0.5, 0.75))
    n = fouling_exponent(described, clean)
    assert (0.5**-n - 1) / (0.75**-n - 1) == pytest.approx(half / most, rel=1e-6)
    assert (n > 2) is (curve < 2), "a flat top has less head in reserve as the flow falls"
