"""From checked settings to the circuit that the sizing model solves."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitor.errors import SettingsError, SizingError
from monitor.settings.convert import installation
from monitor.settings.model import FilterSettings, SettingsTree
from monitor.sizing.circuit import Fitting, Group, Hose, SprayBar, solve_flow_m3_per_s
from monitor.sizing.media import Layer
from monitor.sizing.pump import Pump
from monitor.sizing.report import Installation, size
from monitor.sizing.water import water
from monitor.units import l_per_h

Loaded = Callable[[str], SettingsTree]


def installed(**tables: Any) -> Installation:
    """One filter of 1000 L/h and 1.5 m, with the tables given."""
    raw: dict[str, Any] = {
        "flow_sensor": {"pin": 17, "loss_coefficient": 0},
        "pump": {"rated_flow_l_per_h": 1000, "max_head_m": 1.5},
    }
    return installation("left", FilterSettings.model_validate(raw | tables))


def the_pump(keys: dict[str, Any]) -> Pump:
    """The pump that a table becomes."""
    return installed(pump=keys).circuit.pump


def fitting(**keys: Any) -> Fitting:
    """The part that one entry of the table of fittings becomes."""
    part = installed(fittings={"a": keys}).circuit.parts[0]
    assert isinstance(part, Fitting)
    return part


def test_the_worked_example_written_as_a_file(loaded: Loaded, minimal: str) -> None:
    """735 L/h at 25 °C by hand with Colebrook; K is 7 and 1.0 for the exit (Crane TP-410)."""
    tree = loaded(
        minimal.replace("pin = 17", "pin = 17\nloss_coefficient = 0")
        + """
        [filters.left.pump]
        rated_flow_l_per_h = 1000
        max_head_m = 1.5
        [filters.left.hoses.inlet]
        bore_mm = 16
        length_m = 1.2
        [filters.left.hoses.outlet]
        bore_mm = 16
        length_m = 1.8
        [filters.left.fittings.all]
        kind = "other"
        bore_mm = 16
        loss_coefficient = 7
        [filters.left.media.rings]
        material = "large rings"
        depth_mm = 120
        [filters.left.media.foam]
        material = "foam 20 ppi"
        depth_mm = 60
        [filters.left.media.floss]
        material = "floss"
        depth_mm = 20
        [filters.left.tank]
        volume_l = 180
        """
    )
    answer = size(installation("left", tree.filters["left"]))
    assert l_per_h(answer.clean_m3_per_s) == pytest.approx(735.2, rel=3e-3)
    assert answer.turnover_per_h == pytest.approx(735.2 / 180, rel=3e-3)


def test_tank_and_lift_are_taken_over() -> None:
    tank = {"volume_l": 250, "temperature_c": 18, "salinity_g_per_kg": 35}
    found = installed(tank=tank, outlet={"height_above_surface_m": 0.2})
    assert found.filter_id == "left"
    assert found.tank_m3 == pytest.approx(0.25)
    assert (found.temperature_c, found.salinity_g_per_kg) == (18.0, 35.0)
    assert found.circuit.lift_m == 0.2


def test_a_tank_that_is_not_described_has_no_volume() -> None:
    assert installed().tank_m3 == 0.0


def test_bores_and_lengths_become_metres() -> None:
    hose = installed(hoses={"inlet": {"bore_mm": 12.5, "length_m": 1.5}}).circuit.parts[0]
    assert hose == Hose("hose inlet (outlet)", 0.0125, 1.5, 0.0)


def test_a_ribbed_hose_is_rougher_than_a_smooth_one() -> None:
    walls = {w: {"bore_mm": 16, "length_m": 1, "wall": w} for w in ("smooth", "ribbed")}
    smooth, ribbed = installed(hoses=walls).circuit.parts[:2]
    assert isinstance(smooth, Hose)
    assert isinstance(ribbed, Hose)
    assert smooth.roughness_per_bore == 0.0
    assert ribbed.roughness_per_bore == 0.05  # no published figure; two to three times the friction


# Fittings --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "k"),
    [
        ("bend", 0.31),  # Crane TP-410, r/D = 3 at 16 mm
        ("intake", 0.78),  # Crane TP-410, tube projecting into the tank
        ("tap", 0.08),  # full-bore ball valve, 3·f_T; from memory
        ("quick coupling", 1.5),  # from memory
        ("strainer", 2.0),  # from memory
        ("uv chamber", 2.5),  # from memory
    ],
)
def test_usual_coefficients(kind: str, k: float) -> None:
    part = fitting(kind=kind, bore_mm=16, count=2)
    assert part == Fitting(f"{kind} a (outlet)", 0.016, k, 0.0, 2)


def test_an_elbow_follows_the_two_k_method() -> None:
    """Hooper 1981: K1 = 800 and 0.4·(1 + 1/inch) at infinite Re, by hand."""
    part = fitting(kind="elbow", bore_mm=16)
    assert part.laminar_k == 800.0
    assert part.turbulent_k == pytest.approx(0.4 * (1 + 25.4 / 16), rel=1e-9)


def test_a_barb_costs_by_the_velocity_in_its_hose() -> None:
    """Crane TP-410 at β = 0.75: (0.5·0.4375 + 0.1914)/0.75⁴ = 1.296."""
    part = fitting(kind="barb", bore_mm=12, hose_bore_mm=16)
    assert part.bore_m == 0.016
    assert part.turbulent_k == pytest.approx(1.296, rel=1e-3)


@pytest.mark.parametrize("kind", ["elbow", "barb", "tap", "other"])
@pytest.mark.parametrize("k", [0.0, 3.3])
def test_an_own_coefficient_comes_first(kind: str, k: float) -> None:
    part = fitting(kind=kind, bore_mm=16, loss_coefficient=k)
    assert (part.turbulent_k, part.laminar_k, part.bore_m) == (k, 0.0, 0.016)


@pytest.mark.parametrize(
    ("kind", "said"),
    [("barb", "fitting a: a barb needs hose_bore_mm"), ("other", "needs loss_coefficient")],
)
def test_a_fitting_that_lacks_a_figure_is_refused(kind: str, said: str) -> None:
    with pytest.raises(SizingError, match=said):
        fitting(kind=kind, bore_mm=16)


# Media, sensor, outlet -------------------------------------------------------------------------


def test_a_layer_takes_the_area_of_the_canister_or_its_own() -> None:
    media = {
        "a": {"material": "floss", "depth_mm": 20},
        "b": {"material": "floss", "depth_mm": 20, "area_cm2": 100},
    }
    parts = installed(canister={"media_area_cm2": 250}, media=media).circuit.parts[:2]
    layers = [p for p in parts if isinstance(p, Layer)]
    assert [p.label for p in layers] == ["a", "b"]
    assert [p.depth_m for p in layers] == pytest.approx([0.020, 0.020])
    assert [p.area_m2 for p in layers] == pytest.approx([0.025, 0.010])


def test_an_unknown_material_lists_the_known_ones() -> None:
    said = r'media a: unknown material "gravel"; expected one of: large rings, .*floss'
    with pytest.raises(SizingError, match=said):
        installed(media={"a": {"material": "gravel", "depth_mm": 20}})


def test_the_flow_sensor_is_a_loss_in_its_own_bore() -> None:
    sensor = {"pin": 17, "bore_mm": 10, "loss_coefficient": 3}
    part = installed(flow_sensor=sensor).circuit.parts[0]
    assert part == Fitting("flow sensor, bore 10 mm", 0.010, 3.0, group=Group.FLOW_SENSOR)


def test_a_sensor_coefficient_of_zero_leaves_it_out() -> None:
    assert [p.label for p in installed().circuit.parts] == ["open outlet"]


def test_an_open_outlet_loses_its_velocity_head() -> None:
    """Crane TP-410: K = 1.0 for any exit into a tank."""
    part = installed(outlet={"bore_mm": 12}).circuit.parts[-1]
    assert part == Fitting("open outlet", 0.012, 1.0, group=Group.OUTLET)


@pytest.mark.parametrize(("kind", "holes"), [("spray bar", 20), ("jet", 1)])
def test_a_jet_is_a_spray_bar_of_one_hole(kind: str, holes: int) -> None:
    outlet = {"kind": kind, "bore_mm": 12, "holes": 20, "hole_mm": 3}
    assert installed(outlet=outlet).circuit.parts[-1] == SprayBar(kind, 0.012, holes, 0.003)


# Pump ------------------------------------------------------------------------------------------


def test_the_two_figures_of_the_box() -> None:
    found = the_pump({"rated_flow_l_per_h": 1200, "max_head_m": 1.8, "curve_exponent": 1.5})
    assert l_per_h(found.rated_flow_m3_per_s) == pytest.approx(1200)
    assert (found.max_head_m, found.exponent, found.fitted) == (1.8, 1.5, False)


def test_measured_points_are_fitted() -> None:
    """1.6 − 0.4·x − x² m with x in m³/h, zero at x = −0.2 + √1.64."""
    points = [(q, 1.6 - 0.4 * q / 1000 - (q / 1000) ** 2) for q in (0.0, 400.0, 700.0, 1000.0)]
    found = the_pump({"points": points})
    assert found.fitted
    assert found.max_head_m == pytest.approx(1.6, rel=1e-9)
    assert l_per_h(found.rated_flow_m3_per_s) == pytest.approx(1000 * (1.64**0.5 - 0.2), rel=1e-9)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({}, "pump: expected rated_flow_l_per_h and max_head_m"),
        ({"max_head_m": 1.5}, "pump: expected rated_flow_l_per_h and max_head_m"),
        ({"rated_flow_l_per_h": 900}, "pump: expected rated_flow_l_per_h and max_head_m"),
        (
            {"max_head_m": 1.5, "points": [(0, 1.5), (500, 1.1), (900, 0.2)]},
            "pump: give either points or rated_flow_l_per_h with max_head_m, not both",
        ),
    ],
)
def test_half_a_pump_and_two_pumps_are_refused(keys: dict[str, Any], said: str) -> None:
    with pytest.raises(SizingError, match=said):
        the_pump(keys)


def test_a_filter_without_a_pump_cannot_be_sized() -> None:
    with pytest.raises(SettingsError, match=r"filters\.left\.pump: not described"):
        installed(pump=None)


def test_an_outlet_above_the_pump_head_has_no_flow() -> None:
    circuit = installed(outlet={"height_above_surface_m": 2.0}).circuit
    with pytest.raises(SizingError, match="does not reach the outlet 2 m above the water"):
        solve_flow_m3_per_s(circuit, water(25))
