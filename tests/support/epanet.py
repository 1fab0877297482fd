"""Random filter circuits, and EPANET (through wntr) solving them: a reference that is not ours.

EPANET 2.2 computes friction by Darcy–Weisbach: Hagen–Poiseuille below Re 2000, Swamee–Jain above
4000, a cubic of its own between; Rossman, EPANET 2.2 User Manual (2020), appendix D.
"""

from __future__ import annotations

import math
import os
import random
import tempfile
import warnings
from typing import Any, NamedTuple

from monitor.sizing.circuit import Circuit, Fitting, Hose, Part, SprayBar, solve_flow_m3_per_s
from monitor.sizing.pump import pump_from_rating
from monitor.sizing.water import Water
from monitor.units import l_per_h, m3_per_s

KINEMATIC_M2_PER_S = 0.893e-6  # fresh water at 25 °C, IAPWS R12-08 over IAPWS-95
DENSITY_KG_PER_M3 = 997.05
WATER = Water(DENSITY_KG_PER_M3, DENSITY_KG_PER_M3 * KINEMATIC_M2_PER_S)
C0, C1 = 0.63, 0.58  # port discharge, as in monitor.sizing.circuit's source [4]


class Drawn(NamedTuple):
    """One random circuit in plain numbers: L/h, m, m, and per hose (bore, length, K)."""

    rated_l_per_h: float
    head_m: float
    lift_m: float
    hoses: tuple[tuple[float, float, float], ...]
    bar: tuple[int, float, float] | None  # holes, hole, bore


def draw(generator: random.Random) -> Drawn:
    """Return a circuit of the size of canister filters, drawn at random."""
    head_m = generator.uniform(0.8, 3.0)
    hoses = tuple(
        (
            generator.uniform(0.010, 0.025),
            generator.uniform(1.0, 12.0) / 2,
            generator.uniform(0.5, 8.0),
        )
        for _ in range(2)
    )
    bar = None
    if generator.random() < 0.5:
        bar = (generator.randint(8, 30), generator.uniform(0.003, 0.006), hoses[1][0])
    lift_m = generator.choice([0.0, generator.uniform(0.0, 0.3 * head_m)])
    return Drawn(generator.uniform(100, 3000), head_m, lift_m, hoses, bar)


def ours(drawn: Drawn) -> Circuit:
    """The circuit as the project describes it."""
    parts: list[Part] = []
    for number, (bore_m, length_m, k) in enumerate(drawn.hoses):
        parts += [Hose(f"h{number}", bore_m, length_m), Fitting(f"k{number}", bore_m, k)]
    if drawn.bar is not None:
        holes, hole_m, bore_m = drawn.bar
        parts.append(SprayBar("bar", bore_m, holes, hole_m))
    pump = pump_from_rating(m3_per_s(drawn.rated_l_per_h), drawn.head_m)
    return Circuit(pump, tuple(parts), drawn.lift_m)


def bar_k(holes: int, hole_m: float, bore_m: float) -> float:
    """K of a spray bar on its pipe's velocity, by bisection of Q = n·A·C_d·√(2gE) at 1 m/s."""
    ports, pipe = holes * hole_m**2, bore_m**2
    low, high = 1e-9, 1e6  # of E over the velocity head v²/2g
    for _ in range(200):
        k = math.sqrt(low * high)
        discharged = ports * (C0 - C1 / k) * math.sqrt(k)
        low, high = (k, high) if discharged < pipe else (low, k)
    return k


def in_transition(drawn: Drawn, flow_l_per_h: float) -> bool:
    """Whether some hose runs between Re 2000 and 4000 at this flow."""
    flow = flow_l_per_h / 3.6e6
    return any(
        2000 <= 4 * flow / (math.pi * bore * KINEMATIC_M2_PER_S) <= 4000
        for bore, _, _ in drawn.hoses
    )


def differences(count: int, seed: int) -> dict[tuple[bool, bool], list[float]]:
    """Return how far we are from EPANET, a share of its flow, on random circuits.

    The keys say whether there is a spray bar, and whether a hose is in the transition.
    """
    generator, epanet = random.Random(seed), Epanet()
    rows: dict[tuple[bool, bool], list[float]] = {}
    for _ in range(count):
        drawn = draw(generator)
        theirs = epanet.solve_l_per_h(epanet.build(drawn))
        mine = l_per_h(solve_flow_m3_per_s(ours(drawn), WATER))
        key = (drawn.bar is not None, in_transition(drawn, theirs))
        rows.setdefault(key, []).append(abs(mine / theirs - 1))
    return rows


class Epanet:
    """Solves circuits with EPANET; one network model is made for each."""

    def __init__(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import wntr
        self._wntr: Any = wntr

    def build(self, drawn: Drawn) -> Any:
        """The circuit as EPANET describes it: two reservoirs, a pump, pipes with minor losses."""
        wn = self._wntr.network.WaterNetworkModel()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it warns that roughness keeps its unit
            wn.options.hydraulic.headloss = "D-W"
        wn.options.hydraulic.inpfile_units = "LPM"  # or the viscosity is read as square feet
        wn.options.hydraulic.viscosity = KINEMATIC_M2_PER_S
        wn.options.hydraulic.accuracy = 1e-6
        wn.options.hydraulic.trials = 200
        wn.options.time.duration = 0
        wn.add_reservoir("tank", base_head=0.0)
        wn.add_reservoir("outlet", base_head=drawn.lift_m)
        for name in ("suction", "pressure"):
            wn.add_junction(name, base_demand=0.0, elevation=-1.0)
        (bore, length, k), (bore2, length2, k2) = drawn.hoses
        if drawn.bar is not None:
            holes, hole_m, bar_bore_m = drawn.bar
            k2 += bar_k(holes, hole_m, bar_bore_m)
        wn.add_pipe("in", "tank", "suction", length, bore, roughness=1e-12, minor_loss=k)
        wn.add_pipe("out", "pressure", "outlet", length2, bore2, roughness=1e-12, minor_loss=k2)
        # One point at half flow and three quarters head is EPANET's form of the same parabola.
        rated = drawn.rated_l_per_h / 3.6e6
        wn.add_curve("pump", "HEAD", [(rated / 2, 0.75 * drawn.head_m)])
        wn.add_pump("pump", "suction", "pressure", "HEAD", "pump")
        return wn

    def solve_l_per_h(self, wn: Any) -> float:
        """Return the flow that EPANET finds."""
        with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            simulator = self._wntr.sim.EpanetSimulator(wn)
            results = simulator.run_sim(file_prefix=os.path.join(folder, "c"))
        return float(results.link["flowrate"].loc[0, "pump"]) * 3.6e6
