"""Causes told for faults of the simulated rig, and how soon a stop is believed.

Each fault is played with twenty seeds: pump, hoses and sensor as in the rehearsal, a clean filter,
an ordinary stop of 45 minutes a day before, so that the filter's own cooling is known. Sampling is a
minute in quiet stretches and a second from a minute before a fault to its end (of a heater's, which
lasts twelve hours, its first hour). Right is the cause that the
alarm ends with.
"""

from __future__ import annotations

import math
import random
import statistics
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor

import msgspec

from monitor.alarms.rules import Limits
from monitor.alarms.watch import KINDS, WatchPlan, WatchState, step
from monitor.app.rehearsal import scenario
from monitor.app.sources import rig_plan
from monitor.condition.consequence import Stock
from monitor.condition.cycle import CyclePlan
from monitor.condition.flow import FlowState, Sensor, estimate, gap_of_a_stop_s
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning
from monitor.records import AlarmKind, Cause, EventKind, Moment, PulseReading
from monitor.sensing.faults import Fault, FaultName
from monitor.sensing.rig import Rig
from tests.bench.figure import Figure

SEEDS = 20
DAY = 86400.0
RIGHT: dict[FaultName, set[Cause]] = {
    FaultName.STALL: {Cause.PUMP_OR_POWER},
    FaultName.POWER_CUT: {Cause.PUMP_OR_POWER},
    FaultName.KINK: {Cause.SUDDEN_RESTRICTION},
    FaultName.BLOCKED: {Cause.BLOCKED},
    FaultName.AIR: {Cause.AIR},
    FaultName.JAMMED_SENSOR: {Cause.SENSOR_JAMMED},
    FaultName.NOISY_WIRE: {Cause.SENSOR_WIRING},
    FaultName.MAINS_HUM: {Cause.SENSOR_WIRING},
    FaultName.HOSE_OFF: {Cause.HOSE_OFF},
    FaultName.PROBE_GONE: {Cause.PROBE_FAULT},
    FaultName.HEATER_ON: {Cause.HEATER_OR_ROOM},
    FaultName.HEATER_OFF: {Cause.HEATER_OR_ROOM},
}
_FLOW = {AlarmKind.FLOW_STOPPED, AlarmKind.FLOW_LOW, AlarmKind.FLOW_HIGH, AlarmKind.FLOW_UNKNOWN}


def told(case: tuple[FaultName, int]) -> tuple[FaultName, Cause]:
    """Play one fault and return the cause that its alarm ends with."""
    name, seed = case
    generator = random.Random(seed)
    start = 2 * DAY + generator.uniform(0, DAY)
    lasts = 12 * 3600.0 if name in (FaultName.HEATER_ON, FaultName.HEATER_OFF) else 3600.0
    earlier = Fault(FaultName.STALL, DAY, DAY + 2700.0)
    plan = rig_plan(
        "long_tank", scenario(None), seed, 0.0, (start + lasts) / DAY,
        (earlier, Fault(name, start, start + lasts)),
    )  # fmt: skip
    rig = Rig(msgspec.structs.replace(plan, due_days=400.0))
    watch_plan = WatchPlan(
        ConditionPlan("long_tank", Sensor(plan.pulses_per_m3, 5e-4), Learning(600.0, 3600.0, 0.06),
                      rig.clean_m3_per_s, CyclePlan()),
        Limits(temperature_min_c=23.5, temperature_max_c=27.0, has_probe=True),
        Stock(min_c=23.5, max_c=27.0),
    )  # fmt: skip
    state, cause = WatchState(), Cause.NONE
    wanted = _FLOW if RIGHT[name] & {*_flow_causes()} else set(KINDS) - _FLOW
    for now in _moments(rig, start, min(lasts, 3600.0)):
        state, _, events = step(state, watch_plan, rig.read(now), now)
        for event in events:
            mine = event.alarm in wanted and event.event in (EventKind.RAISED, EventKind.UPDATED)
            if now.line_s >= start and mine:
                cause = event.cause
    return name, cause


def _moments(rig: Rig, start_s: float, lasts_s: float) -> Iterator[Moment]:
    """A minute apart in quiet stretches, a second from before the fault until it is over."""
    time_s = 0.0
    while time_s < rig.plan.days * DAY:
        yield Moment(time_s, time_s)
        near = -60.0 <= time_s - start_s < lasts_s
        time_s += 1.0 if near else rig.stride_s(time_s)


def _flow_causes() -> set[Cause]:
    heat = {Cause.PROBE_FAULT, Cause.HEATER_OR_ROOM}
    return set(Cause) - heat


def measure() -> list[Figure]:
    """Play all faults on both cores; then the stops."""
    cases = [(name, seed) for name in RIGHT for seed in range(SEEDS)]
    with ProcessPoolExecutor() as pool:
        results = list(pool.map(told, cases, chunksize=4))
    figures, right = [], 0
    for name, expected in RIGHT.items():
        causes = Counter(cause for fault, cause in results if fault is name)
        good = sum(count for cause, count in causes.items() if cause in expected)
        right += good
        others = (
            ", ".join(f"{c} {n}" for c, n in causes.items() if c not in expected) or "none other"
        )
        figures.append(
            Figure(f"cause of {name}", f"{good}/{SEEDS}", others, "–", "see all", True, True)
        )
    share = right / len(cases)
    figures.append(Figure("causes right, all faults", f"{share:.0%}", f"{len(cases)} faults", "–",
                          "90 %", share >= 0.9, True))  # fmt: skip
    return [*figures, *_stops()]


def _stops() -> list[Figure]:
    """Random pulses that cease: time to believe it against the bound of a pulse-gap test."""
    found = []
    for rate in (0.2, 1.0, 5.0, 20.0, 75.0):
        late = [_late(rate, seed) for seed in range(60)]
        bound = gap_of_a_stop_s(rate)
        # Looked at once a second, as the daemon does, no test can be sooner than the next look.
        ratio = statistics.median(late) / (bound + 1.0)
        found.append(
            Figure(f"stop at {rate:g} pulses a second", f"{statistics.median(late):.1f} s",
                   f"{bound:.1f} s (bound) + 1 s between looks", f"{ratio:.2f}", "1.5", ratio <= 1.5, True)
        )  # fmt: skip
    return found


def _late(rate: float, seed: int) -> float:
    generator = random.Random(seed)
    sensor = Sensor(450e3, 1.0)
    expected = rate / sensor.pulses_per_m3
    state, carried, stop = FlowState(), generator.expovariate(rate), 200.0 + generator.random()
    for second in range(1, 2000):
        pulses = 0
        while carried < min(second, stop):
            pulses += 1
            carried += generator.expovariate(rate)
        state, seen = estimate(state, PulseReading("x", 1.0, pulses), sensor, expected)
        if second > stop and seen.flow_m3_per_s == 0.0:
            return second - stop
    return math.inf
