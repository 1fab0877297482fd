"""Everything `canister size` answers about one filter, put together.

The likely values give the report at once; the spread, the measured flows and the sensor bores come
from the same description with other values, which a caller builds through `describe`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import msgspec

from monitor.sizing.circuit import Circuit, Fitting, Group, solve_flow_m3_per_s
from monitor.sizing.commissioning import Commissioning, commission
from monitor.sizing.report import Installation, SizeReport, size
from monitor.sizing.stack import judge_stack
from monitor.sizing.tank import TankReport, judge_tank
from monitor.sizing.uncertainty import DEFAULT_SAMPLES, Ensemble, Sampler, Spread, ensemble, spread
from monitor.sizing.water import Water, water

# Bores that hall-effect bodies come in (from memory), in m.
SENSOR_BORES_M = (0.008, 0.010, 0.013, 0.016, 0.020, 0.025)
DUE_SHARE = 0.75

Describe = Callable[[Sampler | None], Installation]


class BoreChoice(msgspec.Struct, frozen=True):
    """The clean flow in m³/s with a flow sensor of another bore and the same coefficient."""

    bore_m: float
    clean_m3_per_s: float


class Study(msgspec.Struct, frozen=True):
    """One filter, whole."""

    report: SizeReport
    tank: TankReport
    stack: tuple[str, ...]
    bores: tuple[BoreChoice, ...]


def study(installation: Installation, today: int | None) -> Study:
    """Return what follows from the likely values.

    Raises:
        SizingError: the described filter cannot move water.
    """
    report = size(installation)
    at = water(installation.temperature_c, installation.salinity_g_per_kg)
    return Study(
        report,
        judge_tank(installation, report.clean_m3_per_s),
        judge_stack(installation, today),
        _bores(installation.circuit, at),
    )


class Certainty(msgspec.Struct, frozen=True):
    """How sure the clean flow is; `commissioning` where measured flows were given."""

    spread: Spread
    commissioning: Commissioning | None


def certainty(
    describe: Describe,
    measured_m3_per_s: Sequence[float] = (),
    error: float = 0.05,
    samples: int = DEFAULT_SAMPLES,
    seed: int = 1,
) -> Certainty:
    """Return the spread of the clean flow, and measured flows against it.

    Raises:
        SizingError: within its ranges the filter is sometimes impossible.
    """
    found: Ensemble = ensemble(describe, samples, seed)
    measured = commission(found, measured_m3_per_s, error) if measured_m3_per_s else None
    return Certainty(spread(found), measured)


def _bores(circuit: Circuit, at: Water) -> tuple[BoreChoice, ...]:
    sensors = [p for p in circuit.parts if isinstance(p, Fitting) and p.group is Group.FLOW_SENSOR]
    if not sensors:
        return ()
    return tuple(
        BoreChoice(bore, solve_flow_m3_per_s(_with_sensor_bore(circuit, bore), at))
        for bore in SENSOR_BORES_M
    )


def _with_sensor_bore(circuit: Circuit, bore_m: float) -> Circuit:
    parts = tuple(
        msgspec.structs.replace(p, bore_m=bore_m)
        if isinstance(p, Fitting) and p.group is Group.FLOW_SENSOR
        else p
        for p in circuit.parts
    )
    return msgspec.structs.replace(circuit, parts=parts)


class Curves(msgspec.Struct, frozen=True):
    """Points of pump and circuit for a plot: flow in m³/s, head in m.

    `fouled` holds for each share of the clean flow the circuit that gives it; `points` the
    operating points, clean first.
    """

    pump: tuple[tuple[float, float], ...]
    clean: tuple[tuple[float, float], ...]
    fouled: tuple[tuple[float, tuple[tuple[float, float], ...]], ...]
    points: tuple[tuple[float, float], ...]


def curves(
    installation: Installation, shares: Sequence[float] = (DUE_SHARE, 0.5), steps: int = 60
) -> Curves:
    """Return pump curve, clean circuit, fouled circuits and their operating points.

    Raises:
        SizingError: the described filter cannot move water.
    """
    circuit = installation.circuit
    at = water(installation.temperature_c, installation.salinity_g_per_kg)
    clean = solve_flow_m3_per_s(circuit, at)
    top_flow, top_head = circuit.pump.rated_flow_m3_per_s, circuit.pump.max_head_m
    flows = [top_flow * n / steps for n in range(steps + 1)]

    def asked(extra: float) -> tuple[tuple[float, float], ...]:
        heads = ((q, circuit.loss_m(q, at) + extra * q * q) for q in flows)
        return tuple((q, h) for q, h in heads if h <= top_head * 1.05)

    def added(share: float) -> float:
        flow = clean * share
        return (circuit.pump.head_m(flow) - circuit.loss_m(flow, at)) / flow**2

    return Curves(
        tuple((q, max(0.0, circuit.pump.head_m(q))) for q in flows),
        asked(0.0),
        tuple((share, asked(added(share))) for share in shares),
        tuple((clean * s, circuit.pump.head_m(clean * s)) for s in (1.0, *shares)),
    )
