"""The most likely cause of what the alarms room is about to say, with the evidence in words."""

from __future__ import annotations

import msgspec

from monitor.condition.pipeline import ConditionState
from monitor.records import AlarmKind, Assessment, Cause, Quality
from monitor.units import l_per_h

# Mean distance from the ten-second mean, as a share of it: a steady loop stays near 1 %, water
# with air in it swings by tens of per cent. Common practice, no source.
_CHURN_OF_AIR = 0.2
# A minute after a sudden restriction the ten-minute mean still remembers most of the old flow.
_SUDDEN_BELOW_RUNNING = 0.85
_SUDDEN_BELOW_DAY = 0.85
_TRICKLE_SHARE = 0.01  # below this nothing passes; a resting meter may show this much


class Reason(msgspec.Struct, frozen=True, gc=False):
    """A cause, what was seen that points to it, and how likely it is, 0 to 1 (from memory)."""

    cause: Cause
    evidence: str
    sure: float = 0.5


def reason(kind: AlarmKind, state: ConditionState, seen: Assessment) -> Reason:
    """Return why an alarm of this kind is most likely about to be raised."""
    return {
        AlarmKind.FLOW_STOPPED: _stopped,
        AlarmKind.FLOW_LOW: _low,
        AlarmKind.CLEANING_DUE: _due,
        AlarmKind.FLOW_UNKNOWN: _unknown,
        AlarmKind.FLOW_HIGH: _high,
        AlarmKind.TEMPERATURE_HIGH: _temperature,
        AlarmKind.TEMPERATURE_LOW: _temperature,
        AlarmKind.TEMPERATURE_UNKNOWN: _probe,
    }[kind](state, seen)


def _share(part: float | None, whole: float | None) -> float:
    return 1.0 if part is None or not whole else part / whole


def _stopped(state: ConditionState, seen: Assessment) -> Reason:
    left = _share(seen.flow_m3_per_s, seen.clean_m3_per_s)
    before = state.averages.running
    was = f"{l_per_h(before):.0f} L/h in the minutes before" if before else "no flow seen before"
    if left > _TRICKLE_SHARE:
        return Reason(
            Cause.BLOCKED,
            f"a trickle of {left:.0%} of clean flow is left, {was}",
            0.8,
        )
    return Reason(Cause.PUMP_OR_POWER, f"no flow at all, {was}", 0.7)


def _low(state: ConditionState, seen: Assessment) -> Reason:
    averages = state.averages
    share = _share(averages.steady, seen.clean_m3_per_s)
    if averages.steady and averages.churn > _CHURN_OF_AIR * averages.steady:
        return Reason(
            Cause.AIR,
            f"flow swings by {averages.churn / averages.steady:.0%} about {share:.0%} of clean",
            0.75,
        )
    if averages.steady is not None and averages.running:
        before = averages.steady / averages.running
        if before < _SUDDEN_BELOW_RUNNING:
            return Reason(
                Cause.SUDDEN_RESTRICTION,
                f"flow fell within minutes to {share:.0%} of clean",
                0.85,
            )
    return Reason(Cause.MEDIA_CLOGGED, f"flow fell slowly to {share:.0%} of clean", 0.8)


def _due(state: ConditionState, seen: Assessment) -> Reason:
    averages = state.averages
    share = _share(averages.running, seen.clean_m3_per_s)
    if averages.steady and averages.churn > _CHURN_OF_AIR * averages.steady:
        swing = averages.churn / averages.steady
        return Reason(Cause.AIR, f"flow swings by {swing:.0%} about {share:.0%} of clean", 0.75)
    if averages.running is not None and averages.day:
        fall = averages.running / averages.day
        if fall < _SUDDEN_BELOW_DAY:
            return Reason(
                Cause.SUDDEN_RESTRICTION,
                f"flow is at {share:.0%} of clean and fell within hours",
                0.7,
            )
    return Reason(Cause.MEDIA_CLOGGED, f"flow fell over days to {share:.0%} of clean", 0.9)


def _unknown(state: ConditionState, seen: Assessment) -> Reason:
    said = {
        Quality.NOISY: "pulses faster than any water makes them",
        Quality.STUCK: "a signal too even to be water, frozen or picked up from the mains,",
        Quality.OUT_OF_RANGE: "values beyond the sensor's range",
        Quality.DISCONNECTED: "the sensor or its reader is not there",
    }.get(seen.flow_quality, "no readings")
    return Reason(Cause.SENSOR_WIRING, f"{said} for {seen.unknown_s:.0f} s", 0.9)


def _high(state: ConditionState, seen: Assessment) -> Reason:
    share = _share(state.averages.steady, seen.clean_m3_per_s)
    return Reason(
        Cause.HOSE_OFF, f"flow is at {share:.0%} of clean: something downstream is gone", 0.7
    )


def _temperature(state: ConditionState, seen: Assessment) -> Reason:
    value = seen.temperature_c
    shown = "of unknown temperature" if value is None else f"at {value:.1f} °C"
    return Reason(Cause.HEATER_OR_ROOM, f"the water is {shown}", 0.6)


def _probe(state: ConditionState, seen: Assessment) -> Reason:
    return Reason(
        Cause.PROBE_FAULT, f"the probe gives no temperature: {seen.temperature_quality}", 0.9
    )
