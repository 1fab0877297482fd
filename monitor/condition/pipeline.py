"""One filter, one step: readings and the time in, a new state and an assessment out.

A reading speaks for the span it names. Time between steps that no reading covers is unknown, and
is never credited to what was seen before or after it.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from monitor.condition.averages import Averages, follow
from monitor.condition.flow import NOTHING, Estimate, FlowState, Sensor, estimate
from monitor.condition.reference import Learning, Reference, after_cleaning, learn
from monitor.records import (
    Assessment,
    CleanBasis,
    Moment,
    Quality,
    Reading,
    TemperatureReading,
)

_RUNS_ABOVE_SHARE = 0.2
_TEMPERATURE_GOOD_FOR_S = 30.0


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
    temperature, newest, quality = state.temperature, state.newest_m3_per_s, state.quality
    seen: Estimate = NOTHING
    covered_s = 0.0
    for reading in readings:
        if isinstance(reading, TemperatureReading):
            temperature = Temperature(reading.temperature_c, reading.quality, line_s)
            continue
        flow_state, seen = estimate(flow_state, reading, plan.sensor, clean)
        covered_s += max(0.0, reading.span_s)
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
    if unknown_s > 0.0 and not covered_s:
        quality = Quality.MISSING
    if line_s - temperature.line_s > max(_TEMPERATURE_GOOD_FOR_S, 3 * elapsed):
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
    )
    return new, _assessment(new, plan, clean, basis, seen.span_s if fresh else 0.0, fresh)


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
    """Return the state after the user has cleaned the filter: clean flow is learned anew."""
    return msgspec.structs.replace(
        state,
        averages=Averages(steady=state.averages.steady),
        reference=after_cleaning(state.reference),
        before_cleaning=state.reference,
    )


def cleaned_undone(state: ConditionState) -> ConditionState | None:
    """Return the state with the clean flow as it was before the last cleaning, `None` if none."""
    if state.before_cleaning is None:
        return None
    return msgspec.structs.replace(state, reference=state.before_cleaning, before_cleaning=None)


def resumed(state: ConditionState, now: Moment) -> ConditionState:
    """Return the state after a restart: the time not watched is neither flow nor its absence."""
    return msgspec.structs.replace(state, line_s=now.line_s, flow=FlowState(), unknown_s=0.0)


def _clean(reference: Reference, predicted: float | None) -> tuple[float | None, CleanBasis]:
    if reference.clean is not None:
        return reference.clean, reference.basis
    if predicted is not None:
        return predicted, CleanBasis.PREDICTED
    return None, CleanBasis.NONE
