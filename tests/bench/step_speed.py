"""One step of one filter at 1 Hz, pulses and temperature, and what eight filters cost."""

from __future__ import annotations

import random
import time

from monitor.alarms.rules import Limits
from monitor.alarms.watch import WatchPlan, WatchState, step
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning
from monitor.records import Moment, PulseReading, TemperatureReading
from tests.bench.figure import Figure

STEPS = 60_000
TARGET_US = 50.0


def measure() -> list[Figure]:
    """Time the step with its readings made outside the clock, in seconds of the processor."""
    noise = random.Random(1)
    plan = WatchPlan(
        ConditionPlan("x", Sensor(450e3, 5e-4), Learning(600.0, 3600.0, 0.06), 2e-4),
        Limits(temperature_min_c=22.0, temperature_max_c=28.0, has_probe=True),
    )
    work = [
        ((PulseReading("x", 1.0, round(noise.gauss(85, 1))), TemperatureReading("x", 25.0)),
         Moment(float(n), float(n)))
        for n in range(STEPS)
    ]  # fmt: skip
    state = WatchState()
    began = time.process_time()
    for readings, now in work:
        state, _, _ = step(state, plan, readings, now)
    ours = (time.process_time() - began) / STEPS * 1e6
    began = time.process_time()
    total = 0.0
    for readings, now in work:
        total += readings[0].pulses + now.line_s
    bare = (time.process_time() - began) / STEPS * 1e6
    return [
        Figure("one step, one filter", f"{ours:.1f} µs", f"{bare:.2f} µs (touching the readings)",
               f"{ours / bare:.0f}", f"{TARGET_US:g} µs", ours < TARGET_US),
        Figure("eight filters at 1 Hz", f"{ours * 8 / 1e4:.3f} % of a core", "–", "–", "2 %",
               ours * 8 / 1e4 < 2.0),
    ]  # fmt: skip
