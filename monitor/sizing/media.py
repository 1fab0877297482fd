"""Loss of clean filter media, and the generic materials a keeper loads.

A granular layer (rings, balls, carbon) follows Ergun; foam and floss follow Darcy–Forchheimer,
ΔP/L = (µ/K)·v + ρ·C·v², with v the velocity in the empty cross-section.

Sources:
    [1] Ergun, Chemical Engineering Progress 48 (1952) 89, as `fluids.packed_bed.Ergun`.
    [2] Bed area and voidage of packings: Principles of Chemical Separations with Environmental
        Applications, table 6.2; equivalent grain d = 6·(1 − ε)/a.
    [3] Bhattacharya, Calmidi and Mahajan, International Journal of Heat and Mass Transfer 45
        (2002) 1017, open-cell foams; figures from memory.
    [4] Davies, Proceedings of the Institution of Mechanical Engineers B1 (1952) 185, fibre beds,
        K = d²/(64·(1 − ε)^1.5·(1 + 56·(1 − ε)³)); from memory.

Clean media cost millimetres of head beside the hose's decimetres, so ±50 % here is harmless.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec
from fluids.packed_bed import Ergun

from monitor.errors import SizingError
from monitor.sizing.quantity import outside, power, still
from monitor.sizing.water import Water
from monitor.units import GRAVITY_M_PER_S2


class MediaKind(StrEnum):
    """How a layer resists: as grains, as foam or as fibres."""

    GRAINS = "grains"
    FOAM = "foam"
    FIBRES = "fibres"


class Role(StrEnum):
    """What a layer is there for."""

    SETTLEMENT = "settlement"
    MECHANICAL = "mechanical"
    BIOLOGICAL = "biological"
    CHEMICAL = "chemical"


class Material(msgspec.Struct, frozen=True):
    """One generic material; which figures count depends on `kind`.

    Grains: `grain_mm` (diameter of the equal sphere) and `voidage` between the grains.
    Foam: `permeability_m2` (K) and `inertia_per_m` (C). Fibres: `grain_mm` (fibre diameter) and
    `voidage`. `bulk_kg_per_l` is the dry weight of a litre as loaded. `opening_mm` is the size of
    the openings, for the order of the stack. The resistance may be off by the share `uncertainty`.
    `source` names where the figures come from.
    """

    kind: MediaKind
    role: Role
    voidage: float
    grain_mm: float
    permeability_m2: float
    inertia_per_m: float
    bulk_kg_per_l: float
    opening_mm: float
    uncertainty: float
    source: str


def _grains(role: Role, voidage: float, grain: float, bulk: float, source: str) -> Material:
    return Material(
        MediaKind.GRAINS, role, voidage, grain, 0.0, 0.0, bulk, grain / 2, _RINGS_MAY_BE_OFF, source
    )


def _foam(ppi: float, k: float, c: float, source: str) -> Material:
    return Material(
        MediaKind.FOAM, Role.MECHANICAL, 0.97, 0.0, k, c, 0.03, 25.4 / ppi, _FOAM_MAY_BE_OFF, source
    )


# Beds of rings deviate from Ergun with their bore (Canadian Journal of Chemical Engineering 38
# (1960), abstract): ±50 %. Foam figures are from memory and vary between makers more than that.
_RINGS_MAY_BE_OFF, _FOAM_MAY_BE_OFF = 0.5, 0.8

MATERIALS: dict[str, Material] = {
    "large rings": _grains(
        Role.SETTLEMENT, 0.63, 6.10, 0.9,
        "1/2 inch Raschig rings, table 6.2 [2]; weight from memory",
    ),
    "small rings": _grains(
        Role.BIOLOGICAL, 0.73, 2.06, 0.8,
        "1/4 inch Raschig rings, table 6.2 [2]; weight from memory",
    ),
    "sintered rings": _grains(
        Role.BIOLOGICAL, 0.60, 6.0, 0.6, "void between rings 0.55-0.65, from memory"
    ),
    "balls 25 mm": _grains(
        Role.SETTLEMENT, 0.43, 25.4, 0.2, "25 mm spheres, Billet table 1 in [2]; weight from memory"
    ),
    "balls 13 mm": _grains(
        Role.SETTLEMENT, 0.40, 12.8, 0.4, "13 mm spheres, Billet table 1 in [2]; weight from memory"
    ),
    "granular carbon": _grains(Role.CHEMICAL, 0.45, 3.0, 0.5, "3 mm grains, voidage 0.45 assumed"),
    "foam 10 ppi": _foam(10, 1.5e-7, 245, "open-cell foam [3]"),
    "foam 20 ppi": _foam(20, 1.2e-7, 270, "open-cell foam [3]"),
    "foam 30 ppi": _foam(30, 8e-8, 325, "open-cell foam [3], interpolated"),
    "foam 45 ppi": _foam(45, 4.5e-8, 420, "open-cell foam [3], interpolated"),
    "floss": Material(
        MediaKind.FIBRES, Role.MECHANICAL, 0.97, 0.03, 0.0, 0.0, 0.04, 0.1, _FOAM_MAY_BE_OFF,
        "30 µm fibres, voidage 0.97 [4]",
    ),
}  # fmt: skip


class Layer(msgspec.Struct, frozen=True):
    """One layer of the stack: what, how deep in m, over which cross-section in m².

    `factor` multiplies its resistance; 1 unless an uncertainty is sampled.
    """

    label: str
    material: Material
    depth_m: float
    area_m2: float
    factor: float = 1.0

    def head_m(self, flow_m3_per_s: float, water: Water) -> float:
        """Return the clean head loss in m at a flow of zero or more [1, 3, 4]."""
        if still(flow_m3_per_s):
            return 0.0
        velocity, m = flow_m3_per_s / self.area_m2, self.material
        rho, mu = water.density_kg_per_m3, water.viscosity_pa_s
        if m.kind is MediaKind.GRAINS:
            loss_pa = Ergun(
                dp=m.grain_mm / 1000, voidage=m.voidage, vs=velocity, rho=rho, mu=mu, L=self.depth_m
            )
        else:
            k = m.permeability_m2 if m.kind is MediaKind.FOAM else _fibre_permeability_m2(m)
            loss_pa = self.depth_m * (
                mu / k * velocity + rho * m.inertia_per_m * velocity * velocity
            )
        return self.factor * loss_pa / (rho * GRAVITY_M_PER_S2)


def _fibre_permeability_m2(m: Material) -> float:
    solid, diameter_m = 1.0 - m.voidage, m.grain_mm / 1000
    return diameter_m**2 / (64 * power(solid, 1.5) * (1 + 56 * solid**3))


def layer(
    label: str, material: Material, depth_m: float, area_m2: float, factor: float = 1.0
) -> Layer:
    """Return a checked layer.

    Raises:
        SizingError: no depth, no area, or a voidage outside 0.2 to 0.995.
    """
    if outside(depth_m, 1e-9, 1e9) or outside(area_m2, 1e-12, 1e9):
        raise SizingError(f"media {label}: depth and area must be above 0")
    if outside(material.voidage, 0.2, 0.995):
        raise SizingError(f"media {label}: voidage {material.voidage}: expected 0.2 to 0.995")
    return Layer(label, material, depth_m, area_m2, factor)
