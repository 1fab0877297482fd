"""One flow estimate from whatever a source delivers: pulses or a flow already in m³/s."""

from __future__ import annotations

import math

import msgspec

from monitor.records import FlowReading, PulseReading, Quality

# So many pulses give a rate to about one part in five, enough to tell a fifth of clean from clean.
_ENOUGH_PULSES = 5
# ... but at clean flow the wait for them never exceeds this many of their expected intervals.
_PATIENCE = 1.5
_LONGEST_WAIT_S = 120.0
_MOST_PULSES = 10**12  # no counter has seen more in one reading


class FlowState(msgspec.Struct, frozen=True, gc=False):
    """Pulses not yet turned into a rate, and the time they were counted over."""

    pulses: int = 0
    span_s: float = 0.0


class Sensor(msgspec.Struct, frozen=True, gc=False):
    """What turns pulses into flow: pulses per m³, and the highest flow that can be true."""

    pulses_per_m3: float
    max_flow_m3_per_s: float


class Estimate(msgspec.Struct, frozen=True, gc=False):
    """Flow in m³/s over the `span_s` that end now; `None` with the quality that says why."""

    flow_m3_per_s: float | None
    quality: Quality
    span_s: float


NOTHING = Estimate(None, Quality.MISSING, 0.0)
_EMPTY = FlowState()
_WAITING = Estimate(None, Quality.COLLECTING, 0.0)


def estimate(
    state: FlowState,
    reading: PulseReading | FlowReading,
    sensor: Sensor,
    expected_m3_per_s: float | None,
) -> tuple[FlowState, Estimate]:
    """Return the flow that a reading shows.

    Args:
        state: pulses carried over from earlier readings.
        reading: pulses or flow; a span of zero or less, a negative count or flow, or a rate
            beyond the sensor's range is never taken for flow.
        sensor: the K factor and the range.
        expected_m3_per_s: clean flow, from which follows how long to wait for enough pulses;
            `None` takes each reading as it comes.
    """
    span = reading.span_s
    if reading.quality is not Quality.GOOD:
        return _EMPTY, Estimate(None, reading.quality, span if 0.0 < span < math.inf else 0.0)
    if not 0.0 < span < math.inf:  # NaN fails this too
        return state, Estimate(None, Quality.MISSING, 0.0)
    if isinstance(reading, FlowReading):
        flow = reading.flow_m3_per_s
        if flow is None:
            return _EMPTY, Estimate(None, Quality.MISSING, span)
        # NaN fails this comparison too; a meter may show slightly below zero at rest.
        if not -0.1 * sensor.max_flow_m3_per_s <= flow <= sensor.max_flow_m3_per_s:
            return _EMPTY, Estimate(None, Quality.OUT_OF_RANGE, span)
        return _EMPTY, Estimate(flow if flow > 0.0 else 0.0, Quality.GOOD, span)
    if not 0 <= reading.pulses <= _MOST_PULSES:
        return _EMPTY, Estimate(None, Quality.OUT_OF_RANGE, span)
    pulses, total = state.pulses + reading.pulses, state.span_s + span
    if pulses < _ENOUGH_PULSES and expected_m3_per_s is not None:
        rate = expected_m3_per_s * sensor.pulses_per_m3
        wait = min(_LONGEST_WAIT_S, _PATIENCE * _ENOUGH_PULSES / rate) if rate > 0 else 0.0
        if total < wait:
            return FlowState(pulses, total), _WAITING
    flow = pulses / (total * sensor.pulses_per_m3)
    if flow > sensor.max_flow_m3_per_s:
        return _EMPTY, Estimate(None, Quality.NOISY, total)
    return _EMPTY, Estimate(flow, Quality.GOOD, total)
