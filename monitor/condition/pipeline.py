"""One filter, one step: readings and the time in, a new state and an assessment out.

A reading speaks for the span it names. Time between steps that no reading covers is unknown, and
is never credited to what was seen before or after it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from monitor.condition.averages import Averages, follow
from monitor.condition.flow import NOTHING, Estimate, FlowState, Sensor, estimate
from monitor.condition.reference import Learning, Phase, Reference, after_cleaning, learn
from monitor.records import (
    Assessment,
    CleanBasis,
    Moment,
    Quality,
    Reading,
    TemperatureReading,
)

_RUNS_ABOVE_SHARE = 0.2
_FIRST_SPAN_S = 1.0  # believed of the very first reading, whose span nothing can confirm
# A temperature stands for as long as a probe may be slow, or for three rows of a recording, but
# never over a gap.
_TEMPERATURE_GOOD_FOR_S, _TEMPERATURE_GOOD_FOR_AT_MOST_S = 30.0, 300.0


class ConditionPlan(msgspec.Struct, frozen=True, gc=False):
    """What is fixed about one filter."""

    filter_id: str
    sensor: Sensor
    learning: Learning
    predicted_m3_per_s: float | None = None


class Temperature(msgspec.Struct, frozen=True, gc=False):
    """The newest temperature in °C, its quality and when it was taken."""

    value_c: float | None = None
    quality: Quality = Quality.MISSING
    line_s: float = 0.0


class ConditionState(msgspec.Struct, frozen=True, gc=False):
    """Everything that is remembered of one filter from step to step."""

    line_s: float | None = None
    flow: FlowState = FlowState()
    averages: Averages = Averages()
    reference: Reference = Reference()
    before_cleaning: Reference | None = None
    newest_m3_per_s: float | None = None
    quality: Quality = Quality.MISSING
    unknown_s: float = 0.0
    temperature: Temperature = Temperature()
    fresh_line_s: float | None = None


def step(
    state: ConditionState, plan: ConditionPlan, readings: Sequence[Reading], now: Moment
) -> tuple[ConditionState, Assessment]:
    """Take the readings of one filter that came since the last step.

    A moment that does not lie after the last one is taken for the same moment: its readings
    count, no time passes.
    """
    elapsed = 0.0 if state.line_s is None else max(0.0, now.line_s - state.line_s)
    line_s = now.line_s if state.line_s is None else max(now.line_s, state.line_s)
    clean, basis = _clean(state.reference, plan.predicted_m3_per_s)
    flow_state, averages, reference = state.flow, state.averages, state.reference
    fresh_line_s = state.fresh_line_s if state.fresh_line_s is not None else line_s - _FIRST_SPAN_S
    temperature, newest, quality = state.temperature, state.newest_m3_per_s, state.quality
    seen: Estimate = NOTHING
    for reading in readings:
        if isinstance(reading, TemperatureReading):
            temperature = _taken(reading, line_s)
            continue
        flow_state, seen = estimate(flow_state, reading, plan.sensor, clean)
        if seen.quality is not Quality.COLLECTING:
            newest, quality = seen.flow_m3_per_s, seen.quality
        if seen.flow_m3_per_s is None:
            continue
        runs = seen.flow_m3_per_s > _RUNS_ABOVE_SHARE * (clean or 0.0)
        averages = follow(averages, seen.flow_m3_per_s, seen.span_s, runs)
        reference = learn(
            reference,
            seen.flow_m3_per_s,
            seen.span_s,
            plan.learning,
            plan.predicted_m3_per_s,
            line_s,
        )
    clean, basis = _clean(reference, plan.predicted_m3_per_s)
    fresh = seen.flow_m3_per_s is not None
    waiting = seen.quality is Quality.COLLECTING
    unknown_s = 0.0 if fresh or waiting else state.unknown_s + elapsed
    if unknown_s > 0.0 and seen is NOTHING:
        newest, quality = None, Quality.MISSING
    good_for_s = max(_TEMPERATURE_GOOD_FOR_S, min(3 * elapsed, _TEMPERATURE_GOOD_FOR_AT_MOST_S))
    if line_s - temperature.line_s > good_for_s:
        temperature = Temperature(None, Quality.MISSING, temperature.line_s)
    new = ConditionState(
        line_s,
        flow_state,
        averages,
        reference,
        state.before_cleaning,
        newest,
        quality,
        unknown_s,
        temperature,
        line_s if fresh else fresh_line_s,
    )
    # A reading may claim no more time than has passed since the last flow that was seen.
    dt_s = min(seen.span_s, line_s - fresh_line_s) if fresh else 0.0
    return new, _assessment(new, plan, clean, basis, dt_s, fresh)


def picture(state: ConditionState, plan: ConditionPlan) -> Assessment:
    """Return what is known without any new reading."""
    clean, basis = _clean(state.reference, plan.predicted_m3_per_s)
    return _assessment(state, plan, clean, basis, 0.0, False)


def _assessment(
    state: ConditionState,
    plan: ConditionPlan,
    clean: float | None,
    basis: CleanBasis,
    dt_s: float,
    fresh: bool,
) -> Assessment:
    return Assessment(
        plan.filter_id,
        dt_s,
        state.newest_m3_per_s,
        state.quality,
        state.averages.steady,
        state.averages.running,
        clean,
        basis,
        state.temperature.value_c,
        state.temperature.quality,
        state.unknown_s,
        fresh,
    )


def cleaned(state: ConditionState) -> ConditionState:
    """Return the state after the user has cleaned the filter: clean flow is learned anew.

    Told twice before it is learned, it is still the measured clean flow that can be had back.
    """
    twice = state.before_cleaning is not None and state.reference.phase is not Phase.HELD
    return msgspec.structs.replace(
        state,
        averages=Averages(steady=state.averages.steady),
        reference=after_cleaning(state.reference),
        before_cleaning=state.before_cleaning if twice else state.reference,
    )


def cleaned_undone(state: ConditionState) -> ConditionState | None:
    """Return the state with the clean flow as it was before the last cleaning, `None` if none."""
    if state.before_cleaning is None:
        return None
    return msgspec.structs.replace(state, reference=state.before_cleaning, before_cleaning=None)


def resumed(state: ConditionState, now: Moment) -> ConditionState:
    """Return the state after a restart: the time not watched is neither flow nor its absence."""
    return msgspec.structs.replace(
        state,
        line_s=now.line_s,
        flow=FlowState(),
        newest_m3_per_s=None,
        quality=Quality.MISSING,
        unknown_s=0.0,
        fresh_line_s=now.line_s,
    )


def _taken(reading: TemperatureReading, line_s: float) -> Temperature:
    value_c, quality = reading.temperature_c, reading.quality
    if value_c is not None and not math.isfinite(value_c):
        value_c, quality = None, Quality.OUT_OF_RANGE
    return Temperature(value_c, quality, line_s)


def _clean(reference: Reference, predicted: float | None) -> tuple[float | None, CleanBasis]:
    if reference.clean is not None:
        return reference.clean, reference.basis
    if predicted is not None:
        return predicted, CleanBasis.PREDICTED
    return None, CleanBasis.NONE
