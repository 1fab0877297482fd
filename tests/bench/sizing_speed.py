"""Operating points a second against EPANET on the same circuits, and the uncertainty's time."""

from __future__ import annotations

import platform
import random
import subprocess
import sys
import time
from pathlib import Path
from typing import cast

import msgspec
import numpy as np

from monitor.settings.convert import installation
from monitor.settings.load import load
from monitor.sizing.batch import solve_flows_m3_per_s
from monitor.sizing.circuit import Circuit, solve_flow_m3_per_s
from monitor.sizing.uncertainty import ensemble, spread
from monitor.sizing.water import Water
from tests.bench.figure import Figure
from tests.support.epanet import DENSITY_KG_PER_M3, KINEMATIC_M2_PER_S, Epanet, draw, ours

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "deploy" / "examples" / "planted.toml"
TIMES_EPANET = 1000
SAMPLES = 2_000
UNCERTAINTY_S, FIRST_LINE_S = 2.0, 1.0
WATER = Water(DENSITY_KG_PER_M3, DENSITY_KG_PER_M3 * KINEMATIC_M2_PER_S)


def measure() -> list[Figure]:
    """Run all four figures."""
    figures = _against_epanet() if platform.machine() == "x86_64" else []
    return [*figures, _uncertainty(), _first_line()]


def _against_epanet() -> list[Figure]:
    generator, epanet = random.Random(3), Epanet()
    drawn = [draw(generator) for _ in range(40)]
    networks = [epanet.build(d) for d in drawn]
    began = time.perf_counter()
    theirs = [epanet.solve_l_per_h(n) for n in networks]
    epanet_s = (time.perf_counter() - began) / len(drawn)
    circuits = [ours(d) for d in drawn] * 50
    began = time.perf_counter()
    mine = [solve_flow_m3_per_s(c, WATER) * 3.6e6 for c in circuits]
    one_s = (time.perf_counter() - began) / len(circuits)
    assert all(abs(a / b - 1) < 0.06 for a, b in zip(mine, theirs, strict=False))
    varied = [_varied(c) for c in circuits[: len(drawn)]]
    began = time.perf_counter()
    for circuit in varied:
        solve_flows_m3_per_s(circuit, WATER, SAMPLES)
    many_s = (time.perf_counter() - began) / SAMPLES / len(varied)
    reference = f"{1 / epanet_s:,.0f}/s (EPANET, same circuits)"
    many, one = epanet_s / many_s, epanet_s / one_s
    return [
        Figure("operating points, variants of a circuit at once", f"{1 / many_s:,.0f}/s", reference,
               f"{many:,.0f}", f"{TIMES_EPANET} × EPANET", many >= TIMES_EPANET),
        Figure("operating points, one circuit after another", f"{1 / one_s:,.0f}/s", reference,
               f"{one:,.0f}", "none", True),
    ]  # fmt: skip


def _varied(circuit: Circuit) -> Circuit:
    """The same circuit with the pump's rated flow in as many variants as there are samples."""
    factors = np.linspace(0.9, 1.1, SAMPLES)
    rated = cast(float, circuit.pump.rated_flow_m3_per_s * factors)
    pump = msgspec.structs.replace(circuit.pump, rated_flow_m3_per_s=rated)
    return msgspec.structs.replace(circuit, pump=pump)


def _uncertainty() -> Figure:
    tree = load(EXAMPLE).tree
    began = time.perf_counter()
    found = ensemble(
        lambda s: installation(
            "planted", tree.filters["planted"], tree.materials, s.draw if s else None
        ),
        1000,
    )
    spread(found)
    took = time.perf_counter() - began
    return Figure(
        "uncertainty, 1,000 samples",
        f"{took * 1000:.0f} ms",
        "–",
        f"{took / UNCERTAINTY_S:.3f}",
        f"{UNCERTAINTY_S:g} s",
        took <= UNCERTAINTY_S,
    )


def _first_line() -> Figure:
    times, bare = [], []
    for _ in range(5):
        began = time.perf_counter()
        command = [sys.executable, "-m", "monitor", "size", str(EXAMPLE)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT) as process:
            assert process.stdout is not None
            assert process.stdout.readline()
            times.append(time.perf_counter() - began)
            process.stdout.read()
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", "pass"], check=True)
        bare.append(time.perf_counter() - began)
    took, nothing = sorted(times)[2], sorted(bare)[2]
    return Figure(
        "canister size, first line",
        f"{took * 1000:.0f} ms",
        f"{nothing * 1000:.0f} ms (bare interpreter)",
        f"{took / nothing:.1f}",
        f"{FIRST_LINE_S:g} s",
        took <= FIRST_LINE_S,
    )
