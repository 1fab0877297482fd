"""Clean media: Ergun for grains, Darcy–Forchheimer for foam, Davies for floss."""

from __future__ import annotations

import math

import pytest

from monitor.errors import SizingError
from monitor.sizing.media import MATERIALS, Layer, Material, MediaKind, Role, layer
from monitor.sizing.water import Water, water

GRAVITY = 9.80665
PLAIN = Water(density_kg_per_m3=1000.0, viscosity_pa_s=1e-3)


def grains(diameter_mm: float, voidage: float) -> Material:
    return Material(
        MediaKind.GRAINS, Role.BIOLOGICAL, voidage, diameter_mm, 0.0, 0.0, 0.0, 0.0, 0.0, "test"
    )


def fibres(diameter_um: float, voidage: float) -> Material:
    return Material(
        MediaKind.FIBRES,
        Role.MECHANICAL,
        voidage,
        diameter_um / 1000,
        0.0,
        0.0,
        0.0,
        0.0,
        0.0,
        "test",
    )


def loss_pa(material: Material, depth_m: float, velocity_m_per_s: float, kind: Water) -> float:
    """Loss of a bed of 1 m², so that the flow is the velocity."""
    head = Layer("bed", material, depth_m, 1.0).head_m(velocity_m_per_s, kind)
    return head * kind.density_kg_per_m3 * GRAVITY


def test_grains_give_the_published_ergun_example() -> None:
    """Example of `fluids.packed_bed.Ergun`: 0.8 mm, voidage 0.4, 1 mm/s: 1338.867 Pa/m."""
    assert loss_pa(grains(0.8, 0.4), 1.0, 1e-3, PLAIN) == pytest.approx(1338.867, abs=1e-3)


@pytest.mark.parametrize(("d_mm", "voidage", "v"), [(6.1, 0.63, 0.01), (3.0, 0.45, 0.002)])
def test_grains_follow_ergun_1952(d_mm: float, voidage: float, v: float) -> None:
    """150·µ(1−ε)²v/(ε³d²) + 1.75·ρ(1−ε)v²/(ε³d), Ergun 1952, by hand."""
    solid, d = 1 - voidage, d_mm / 1000
    viscous = 150 * 1e-3 * solid**2 * v / (voidage**3 * d**2)
    inertial = 1.75 * 1000 * solid * v**2 / (voidage**3 * d)
    assert loss_pa(grains(d_mm, voidage), 0.12, v, PLAIN) == pytest.approx(
        0.12 * (viscous + inertial), rel=1e-9
    )


@pytest.mark.parametrize(
    ("name", "voidage", "area_m2_per_m3", "d_mm"),
    [
        # Principles of Chemical Separations with Environmental Applications, table 6.2.
        ("small rings", 0.73, 787.0, 2.06),
        ("large rings", 0.63, 364.0, 6.10),
        # Spheres after Billet, table 1: d = 6(1 − ε)/a must give their own diameter back.
        ("balls 13 mm", 0.40, 282.2, 13.0),
        ("balls 25 mm", 0.43, 134.5, 25.0),
    ],
)
def test_grain_is_the_sphere_of_the_published_bed_area(
    name: str, voidage: float, area_m2_per_m3: float, d_mm: float
) -> None:
    equal_sphere_mm = 6 * (1 - voidage) / area_m2_per_m3 * 1000
    assert equal_sphere_mm == pytest.approx(d_mm, rel=0.02)
    assert MATERIALS[name].voidage == voidage
    assert MATERIALS[name].grain_mm == pytest.approx(equal_sphere_mm, rel=0.004)


@pytest.mark.parametrize(
    ("name", "pa_per_m"),
    [
        ("small rings", 66 + 59),
        ("large rings", 22 + 42),
        ("balls 13 mm", 52 + 128),
        ("balls 25 mm", 10 + 49),
        ("granular carbon", 554 + 351),
    ],
)
def test_clean_beds_at_1_cm_per_s_and_20_degrees(name: str, pa_per_m: float) -> None:
    """Viscous and inertial term computed with `fluids.packed_bed.Ergun`, rounded to whole Pa/m.

    Packings as in the table above; the carbon's 3 mm and voidage 0.45 are assumed.
    """
    assert loss_pa(MATERIALS[name], 1.0, 0.01, water(20)) == pytest.approx(pa_per_m, abs=1.5)


@pytest.mark.parametrize(
    ("name", "k_m2", "c_per_m"),
    [("foam 10 ppi", 1.5e-7, 245), ("foam 20 ppi", 1.2e-7, 270), ("foam 45 ppi", 4.5e-8, 420)],
)
def test_foam_follows_darcy_and_forchheimer(name: str, k_m2: float, c_per_m: float) -> None:
    """(µ/K)·v + ρ·C·v² by hand; K and C after Bhattacharya, Calmidi and Mahajan 2002, from memory."""
    v, depth = 0.01, 0.03
    by_hand = depth * (1e-3 / k_m2 * v + 1000 * c_per_m * v * v)
    assert loss_pa(MATERIALS[name], depth, v, PLAIN) == pytest.approx(by_hand, rel=1e-9)


def test_clean_foam_costs_a_few_pascals() -> None:
    """30 mm of 20 ppi at 1 cm/s: 3.3 Pa by hand; K and C from memory."""
    assert loss_pa(MATERIALS["foam 20 ppi"], 0.03, 0.01, PLAIN) == pytest.approx(3.3, abs=0.05)


@pytest.mark.parametrize(
    ("d_um", "voidage", "k_m2", "pa"),
    [(20, 0.97, 1.20e-9, 167), (30, 0.97, 2.70e-9, 74), (40, 0.98, 8.8e-9, 23)],
)
def test_floss_follows_davies(d_um: float, voidage: float, k_m2: float, pa: float) -> None:
    """Davies 1952, formula from memory, by hand: K, and the loss of 20 mm at 1 cm/s."""
    loss = loss_pa(fibres(d_um, voidage), 0.02, 0.01, PLAIN)
    assert 0.02 * 1e-3 * 0.01 / loss == pytest.approx(k_m2, rel=6e-3)
    assert loss == pytest.approx(pa, abs=0.6)


@pytest.mark.parametrize("name", MATERIALS)
def test_loss_grows_with_depth_and_flow_and_shrinks_with_area(name: str) -> None:
    flow, bed = 2e-4, layer("bed", MATERIALS[name], 0.05, 0.03)
    loss = bed.head_m(flow, PLAIN)
    assert layer("bed", MATERIALS[name], 0.10, 0.03).head_m(flow, PLAIN) == pytest.approx(2 * loss)
    assert layer("bed", MATERIALS[name], 0.05, 0.06).head_m(2 * flow, PLAIN) == pytest.approx(loss)
    assert bed.head_m(2 * flow, PLAIN) > loss > 0


@pytest.mark.parametrize("name", MATERIALS)
def test_still_water_costs_nothing(name: str) -> None:
    assert layer("bed", MATERIALS[name], 0.05, 0.03).head_m(0.0, PLAIN) == 0.0


@pytest.mark.parametrize("name", MATERIALS)
def test_every_material_names_its_source(name: str) -> None:
    assert MATERIALS[name].source


@pytest.mark.parametrize(
    ("depth_m", "area_m2"), [(0.0, 0.03), (-0.1, 0.03), (0.1, 0.0), (math.nan, 0.03)]
)
def test_a_layer_without_depth_or_area_is_refused(depth_m: float, area_m2: float) -> None:
    with pytest.raises(SizingError, match="media coarse: depth and area must be above 0"):
        layer("coarse", MATERIALS["floss"], depth_m, area_m2)


@pytest.mark.parametrize("voidage", [0.1, 0.999])
def test_an_impossible_voidage_is_refused(voidage: float) -> None:
    with pytest.raises(SizingError, match=rf"media bed: voidage {voidage}: expected 0.2 to 0.995"):
        layer("bed", grains(5.0, voidage), 0.1, 0.03)
