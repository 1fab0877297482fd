"""One filter, one step: readings and the time in, a new state and an assessment out.

A reading speaks for the span it names. Time between steps that no reading covers is unknown, and
is never credited to what was seen before or after it.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from monitor.condition.averages import Averages, follow
from monitor.condition.cycle import Cycle, CyclePlan, begin, follow_cycle, left_s
from monitor.condition.flow import NOTHING, Estimate, FlowState, Sensor, estimate
from monitor.condition.observe import Watching, watch_change
from monitor.condition.reference import Learning, Phase, Reference, learn
from monitor.condition.stuck import FRESH, Evenness, is_stuck
from monitor.condition.thermal import Band, Thermal, follow_temperature
from monitor.records import (
    Assessment,
    Cause,
    CleanBasis,
    Moment,
    Note,
    Outlook,
    Quality,
    Reading,
    TemperatureReading,
)

RUNS_ABOVE_SHARE = 0.2
_FIRST_SPAN_S = 1.0  # believed of the very first reading, whose span nothing can confirm
# A temperature stands for as long as a probe may be slow, or for three rows of a recording, but
# never over a gap.
_TEMPERATURE_GOOD_FOR_S, _TEMPERATURE_GOOD_FOR_AT_MOST_S = 30.0, 300.0
# Water that keeps fish, with a wide margin; beyond it the value is a sentinel or a broken probe.
_LOWEST_C, _HIGHEST_C = -5.0, 60.0
_SILENT_S = 60.0  # without a reading this long, a pause began
_WATCHED_ABOVE_SHARE = 0.05
_LONGEST_COLLECTING_S = 700.0
_RUNS_WHILE_ANCHORING = 0.02
# Clean flow after a cleaning below this share of when new is wear or growth, not clogging.
_POOR_RECOVERY = 0.92
_FAR_BELOW_PREDICTION = 0.6
_ANCHOR_S = 1800.0  # of running water, to fit a new K factor to the old flow


class ConditionPlan(msgspec.Struct, frozen=True, gc=False):
    """What is fixed about one filter."""

    filter_id: str
    sensor: Sensor
    learning: Learning
    predicted_m3_per_s: float | None = None
    cycle: CyclePlan = CyclePlan()
    band: Band = Band()


class Temperature(msgspec.Struct, frozen=True, gc=False):
    """The newest temperature in °C, its quality and when it was taken."""

    value_c: float | None = None
    quality: Quality = Quality.MISSING
    line_s: float = 0.0


class Anchor(msgspec.Struct, frozen=True, gc=False):
    """A new K factor: the share of clean at which the old one left off, to go on from there."""

    share: float
    left_s: float = _ANCHOR_S


class Before(msgspec.Struct, frozen=True, gc=False):
    """What a cleaning put aside, to be had back."""

    reference: Reference
    cycle: Cycle


class ConditionState(msgspec.Struct, frozen=True, gc=False):
    """Everything that is remembered of one filter from step to step."""

    line_s: float | None = None
    flow: FlowState = FlowState()
    averages: Averages = Averages()
    reference: Reference = Reference()
    before: Before | None = None
    newest_m3_per_s: float | None = None
    quality: Quality = Quality.MISSING
    unknown_s: float = 0.0
    temperature: Temperature = Temperature()
    fresh_line_s: float | None = None
    cycle: Cycle = Cycle()
    watching: Watching = Watching()
    pulses_per_m3: float | None = None
    anchor: Anchor | None = None
    thermal: Thermal = Thermal()
    evenness: Evenness = FRESH


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
    watching, change, evenness = state.watching, None, state.evenness
    seen: Estimate = NOTHING
    for reading in readings:
        if isinstance(reading, TemperatureReading):
            temperature = _taken(reading, line_s)
            continue
        evenness, stuck = is_stuck(evenness, reading)
        flow_state, seen = (
            (FlowState(), Estimate(None, Quality.STUCK, reading.span_s))
            if stuck
            else estimate(flow_state, reading, plan.sensor, averages.running or clean)
        )
        if seen.quality is not Quality.COLLECTING:
            newest, quality = seen.flow_m3_per_s, seen.quality
        flow = seen.flow_m3_per_s
        if flow is None:
            continue
        least = RUNS_ABOVE_SHARE if state.anchor is None else _RUNS_WHILE_ANCHORING
        runs = flow > least * (clean or 0.0)
        averages = follow(averages, flow, seen.span_s, runs)
        reference = learn(
            reference, flow, seen.span_s, plan.learning, plan.predicted_m3_per_s, line_s
        )
        if flow > _WATCHED_ABOVE_SHARE * (clean or 0.0):
            watching, found = watch_change(watching, flow, seen.span_s)
            change = found if found is not None else change
    fresh = seen.flow_m3_per_s is not None
    waiting = seen.quality is Quality.COLLECTING
    # Pulses that are being collected say nothing yet: the time without flow neither ends nor grows,
    # unless the wait is longer than any honest one.
    held = waiting and line_s - fresh_line_s < _LONGEST_COLLECTING_S
    unknown_s = 0.0 if fresh else state.unknown_s if held else state.unknown_s + elapsed
    if unknown_s > 0.0 and seen is NOTHING:
        newest, quality = None, Quality.MISSING
    good_for_s = max(_TEMPERATURE_GOOD_FOR_S, min(3 * elapsed, _TEMPERATURE_GOOD_FOR_AT_MOST_S))
    if line_s - temperature.line_s > good_for_s:
        temperature = Temperature(None, Quality.MISSING, temperature.line_s)
    # A reading may claim no more time than has passed since the last flow that was seen.
    dt_s = min(seen.span_s, line_s - fresh_line_s) if fresh else 0.0
    anchor = state.anchor
    if anchor is not None and fresh:
        anchor, reference = _anchored(anchor, reference, averages, dt_s)
    cycle, notes = _cycle(state, plan, reference, averages, seen, temperature, unknown_s, line_s)
    if change is not None and state.cycle.still_s is None:
        notes = (*notes, change_note(change.by, change.churn))
    thermal = state.thermal
    if temperature.value_c is not None and temperature.line_s == line_s:
        moving = fresh and averages.steady is not None and cycle.still_s is None
        thermal, told = follow_temperature(thermal, plan.band, temperature.value_c, line_s, moving)
        notes = notes if told is None else (*notes, told)
    new = ConditionState(
        line_s,
        flow_state,
        averages,
        reference,
        state.before,
        newest,
        quality,
        unknown_s,
        temperature,
        line_s if fresh else fresh_line_s,
        cycle,
        watching if cycle.still_s is None else Watching(),
        plan.sensor.pulses_per_m3,
        anchor,
        thermal,
        evenness,
    )
    clean, basis = _clean(reference, plan.predicted_m3_per_s)
    return new, _assessment(new, plan, clean, basis, dt_s, fresh, notes)


def _cycle(
    state: ConditionState,
    plan: ConditionPlan,
    reference: Reference,
    averages: Averages,
    seen: Estimate,
    temperature: Temperature,
    unknown_s: float,
    line_s: float,
) -> tuple[Cycle, tuple[Note, ...]]:
    """Go on with the cycle, or begin it with a clean flow that has just been learned."""
    if reference.phase is not Phase.HELD or reference.clean is None:
        return state.cycle, ()
    if state.reference.phase is not Phase.HELD:
        learned = _recovery(reference, plan.predicted_m3_per_s)
        return begin(state.cycle, line_s, temperature.value_c), learned
    flow = seen.flow_m3_per_s
    if state.anchor is not None or (flow is None and unknown_s < _SILENT_S):
        return state.cycle, ()
    runs = flow is not None and flow > RUNS_ABOVE_SHARE * reference.clean
    cycle, note = follow_cycle(
        state.cycle,
        plan.cycle,
        line_s,
        runs,
        averages.running,
        reference.clean,
        temperature.value_c,
    )
    return cycle, () if note is None else (note,)


def _recovery(reference: Reference, predicted: float | None) -> tuple[Note, ...]:
    """Wear of the pump or growth in the hoses: what no cleaning of the media restores."""
    if not reference.first or reference.clean is None:
        return ()
    if predicted is not None and reference.clean < _FAR_BELOW_PREDICTION * predicted:
        return (
            Note(
                Cause.POOR_RECOVERY,
                f"the clean flow that was learned is {reference.clean / predicted:.0%} of what the "
                "sizing model predicts: was something shut or blocked? `canister size --from-monitor` "
                "says what to look at",
            ),
        )
    share = reference.clean / reference.first
    if share >= _POOR_RECOVERY:
        return ()
    return (
        Note(
            Cause.POOR_RECOVERY,
            f"cleaned, the filter gives {share:.0%} of its flow when new: look at the impeller, at "
            "growth in the hoses, at a tap that is not fully open",
        ),
    )


def change_note(by: float, churn: bool) -> Note:
    """Return in words what the statistics saw."""
    if churn:
        return Note(Cause.AIR, f"flow began to swing by {by:.1%}")
    way = "up" if by > 0 else "down"
    return Note(Cause.FLOW_STEP, f"flow stepped {way} by {abs(by):.1%}")


def _anchored(
    anchor: Anchor, reference: Reference, averages: Averages, dt_s: float
) -> tuple[Anchor | None, Reference]:
    """Fit the clean flow to a new K factor, once its flow has been seen for long enough."""
    left = anchor.left_s - dt_s
    if left > 0.0 or averages.running is None:
        return Anchor(anchor.share, left), reference
    clean = averages.running / anchor.share
    scale = clean / reference.clean if reference.clean else 1.0
    first = None if reference.first is None else reference.first * scale
    return None, msgspec.structs.replace(reference, clean=clean, first=first)


def picture(state: ConditionState, plan: ConditionPlan) -> Assessment:
    """Return what is known without any new reading."""
    clean, basis = _clean(state.reference, plan.predicted_m3_per_s)
    return _assessment(state, plan, clean, basis, 0.0, False, ())


def outlook(state: ConditionState) -> Outlook | None:
    """Return when cleaning will be due, `None` until the first six hours of a cycle are over."""
    found, line_s = state.cycle.forecast, state.line_s
    if found is None or line_s is None:
        return None
    low, median, high = left_s(state.cycle, line_s) or (None, None, None)
    return Outlook(low, median, high, found.trend, found.shape, found.fouling)


def _assessment(
    state: ConditionState,
    plan: ConditionPlan,
    clean: float | None,
    basis: CleanBasis,
    dt_s: float,
    fresh: bool,
    notes: tuple[Note, ...],
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
        notes,
        state.anchor is not None,
    )


def _taken(reading: TemperatureReading, line_s: float) -> Temperature:
    value_c, quality = reading.temperature_c, reading.quality
    if value_c is not None and not _LOWEST_C <= value_c <= _HIGHEST_C:  # NaN fails this too
        value_c, quality = None, Quality.OUT_OF_RANGE
    return Temperature(value_c, quality, line_s)


def _clean(reference: Reference, predicted: float | None) -> tuple[float | None, CleanBasis]:
    if reference.clean is not None:
        return reference.clean, reference.basis
    if predicted is not None:
        return predicted, CleanBasis.PREDICTED
    return None, CleanBasis.NONE
