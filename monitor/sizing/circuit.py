"""The parts that water passes, each with its head loss, and where they meet the pump's curve.

Sources:
    [1] Darcy–Weisbach with Churchill, Chemical Engineering 84 (1977) 91, as
        `fluids.friction.Churchill_1977`: one curve from laminar to turbulent.
    [2] Crane TP-410 (resistance coefficients), as listed in `fluids.fittings`.
    [3] Hooper, Chemical Engineering 88 (1981) 96, two-K method, as `fluids.fittings.Hooper2K`.
    [4] Discharge of a port in a manifold, C_d = 0.63 − 0.58·v²/(2gE): a published laboratory sheet
        on diffusers; v is the velocity in the pipe just upstream, E the energy head inside.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import StrEnum

import msgspec
from fluids.fittings import Hooper2K
from fluids.numerics import brenth

from monitor.errors import SizingError
from monitor.sizing.media import Layer
from monitor.sizing.pump import Pump
from monitor.sizing.quantity import friction_factor, power, smaller, still
from monitor.sizing.water import Water
from monitor.units import GRAVITY_M_PER_S2

_MM_PER_INCH = 25.4
# Depth of the ribs as a share of the bore. No published figure for 12 to 25 mm ribbed plastic hose
# was found; 0.05 gives two to three times the friction of a smooth bore. Calibrate by measured flow.
RIBBED_ROUGHNESS_PER_BORE = (0.02, 0.05, 0.08)  # low, likely, high
# New smooth plastic; its 1.5 µm of a drawn tube (from memory) changes the friction by under 1 %.
SMOOTH_ROUGHNESS_PER_BORE = (0.0, 0.0, 0.0)
_PORT_C0, _PORT_C1 = 0.63, 0.58  # [4]


class Group(StrEnum):
    """The heading under which a loss is added up."""

    HOSE = "hose"
    FITTINGS = "fittings"
    MEDIA = "media"
    FLOW_SENSOR = "flow sensor"
    OUTLET = "outlet"


class Hose(msgspec.Struct, frozen=True):
    """A length of hose or pipe; `roughness_per_bore` 0 is a smooth bore."""

    label: str
    bore_m: float
    length_m: float
    roughness_per_bore: float = 0.0
    group: Group = Group.HOSE

    def head_m(self, flow_m3_per_s: float, water: Water) -> float:
        """Return f·(L/D)·v²/2g in m [1]."""
        if still(flow_m3_per_s):
            return 0.0
        f = friction_factor(reynolds(flow_m3_per_s, self.bore_m, water), self.roughness_per_bore)
        return f * self.length_m / self.bore_m * _velocity_head_m(flow_m3_per_s, self.bore_m)


class Fitting(msgspec.Struct, frozen=True):
    """`count` equal local losses: K = `laminar_k`/Re + `turbulent_k`, on the velocity in `bore_m`.

    `laminar_k` is K1 of the two-K method [3], 0 where a fixed coefficient [2] is meant.
    """

    label: str
    bore_m: float
    turbulent_k: float
    laminar_k: float = 0.0
    count: int = 1
    group: Group = Group.FITTINGS

    def head_m(self, flow_m3_per_s: float, water: Water) -> float:
        """Return count·K·v²/2g in m."""
        if still(flow_m3_per_s):
            return 0.0
        re = reynolds(flow_m3_per_s, self.bore_m, water)
        k = self.turbulent_k + self.laminar_k / re
        return self.count * k * _velocity_head_m(flow_m3_per_s, self.bore_m)


class SprayBar(msgspec.Struct, frozen=True):
    """A closed pipe with `holes` equal round ports; also a jet, as one port."""

    label: str
    bore_m: float
    holes: int
    hole_m: float
    group: Group = Group.OUTLET

    def head_m(self, flow_m3_per_s: float, water: Water) -> float:
        """Return the energy head E in m that drives the flow through the ports [4].

        With x = √(2gE) and u the mean velocity in the ports the law reads
        0.63·x² − u·x − 0.58·v² = 0, of which x is the positive root.
        """
        if still(flow_m3_per_s):
            return 0.0
        port = flow_m3_per_s / (self.holes * _area_m2(self.hole_m))
        pipe = flow_m3_per_s / _area_m2(self.bore_m)
        root = power(port * port + 4 * _PORT_C0 * _PORT_C1 * pipe * pipe, 0.5)
        x = (port + root) / (2 * _PORT_C0)
        return x * x / (2 * GRAVITY_M_PER_S2)


Part = Hose | Fitting | SprayBar | Layer


def two_k_elbow_k(bore_m: float) -> tuple[float, float]:
    """Return (laminar K1, turbulent K at infinite Re) of a screwed 90° elbow [3]."""
    bore_inch = bore_m * 1000 / _MM_PER_INCH
    return 800.0, Hooper2K(Di=bore_inch, Re=1e15, K1=800.0, Kinfty=0.4)


def barb_k(hose_bore_m: float, barb_bore_m: float) -> float:
    """Return K, on the hose's velocity, of a barb narrower than its hose.

    Crane's sudden contraction 0.5·(1 − β²) and expansion (1 − β²)², both on the velocity in the
    barb, divided by β⁴ [2]. 0 for a barb as wide as the hose.
    """
    beta = smaller(barb_bore_m / hose_bore_m, 1.0)
    return (0.5 * (1 - beta**2) + (1 - beta**2) ** 2) / beta**4


def reynolds(flow_m3_per_s: float, bore_m: float, water: Water) -> float:
    """Return Re = ρ·v·D/µ of a flow above zero."""
    velocity = flow_m3_per_s / _area_m2(bore_m)
    return water.density_kg_per_m3 * velocity * bore_m / water.viscosity_pa_s


def _area_m2(bore_m: float) -> float:
    return math.pi / 4 * bore_m * bore_m


def _velocity_head_m(flow_m3_per_s: float, bore_m: float) -> float:
    velocity = flow_m3_per_s / _area_m2(bore_m)
    return velocity * velocity / (2 * GRAVITY_M_PER_S2)


class Circuit(msgspec.Struct, frozen=True):
    """A pump, everything its water passes, and how far the outlet stands above the water level.

    `lift_m` is 0 for an outlet under the surface, since the loop is then closed.
    """

    pump: Pump
    parts: tuple[Part, ...]
    lift_m: float = 0.0

    def loss_m(self, flow_m3_per_s: float, water: Water) -> float:
        """Return the head in m that the clean circuit asks for at a flow, lift included."""
        return self.lift_m + sum(part.head_m(flow_m3_per_s, water) for part in self.parts)


def _group(part: Part) -> Group:
    return Group.MEDIA if isinstance(part, Layer) else part.group


class Loss(msgspec.Struct, frozen=True):
    """What one part costs at the operating point; `share` is of the pump's head there, 0 to 1."""

    label: str
    group: str
    head_m: float
    share: float


class OperatingPoint(msgspec.Struct, frozen=True):
    """Where the pump's head equals the circuit's loss."""

    flow_m3_per_s: float
    head_m: float
    losses: tuple[Loss, ...]


def solve_flow_m3_per_s(circuit: Circuit, water: Water, extra_s2_per_m5: float = 0.0) -> float:
    """Return the flow at which pump and circuit agree.

    Args:
        circuit: pump and parts.
        water: at the temperature meant.
        extra_s2_per_m5: added resistance k ≥ 0, a head of k·Q² such as fouling makes.

    Raises:
        SizingError: the pump cannot lift the water to the outlet.
    """
    pump = circuit.pump
    if pump.max_head_m <= circuit.lift_m:
        raise SizingError(
            f"no flow: the pump's maximum head of {pump.max_head_m:g} m does not reach the outlet "
            f"{circuit.lift_m:g} m above the water; lower the outlet or use a stronger pump"
        )
    balance: Callable[[float], float] = lambda q: (  # noqa: E731
        pump.head_m(q) - circuit.loss_m(q, water) - extra_s2_per_m5 * q * q
    )
    top = pump.rated_flow_m3_per_s
    if balance(top) >= 0.0:  # no loss at all
        return top
    return float(brenth(balance, 0.0, top, xtol=top * 1e-10))  # type: ignore[no-untyped-call]


def operating_point(circuit: Circuit, water: Water) -> OperatingPoint:
    """Return flow, head and the cost of each part.

    Raises:
        SizingError: the pump cannot lift the water to the outlet.
    """
    flow = solve_flow_m3_per_s(circuit, water)
    head = circuit.pump.head_m(flow)
    losses = [Loss(p.label, _group(p), p.head_m(flow, water), 0.0) for p in circuit.parts]
    if circuit.lift_m > 0:
        losses.append(Loss("lift above the water", Group.OUTLET, circuit.lift_m, 0.0))
    total = sum(loss.head_m for loss in losses) or 1.0
    shared = tuple(msgspec.structs.replace(x, share=x.head_m / total) for x in losses)
    return OperatingPoint(flow, head, shared)
