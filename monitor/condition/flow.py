"""One flow estimate from whatever a source delivers: pulses or a flow already in m³/s.

A turbine's pulse rate is f = K·Q − a (offset form of a metering manual; a = 0 for a sensor that is
described by K alone). Pulses are gathered until they tell the rate to about a fifth, which a sensor
of many pulses reaches within the second and a slow one does not.

That no pulse comes is judged by the gap: were water still flowing at the rate just before, with
pulses at random, a gap of G seconds would come by chance with probability e^(−λG). Zero flow is
believed once that chance, times the number of gaps in a year, is below `FALSE_STOPS_A_YEAR`; real
rotors are far more even than chance, so the true figure lies below.
"""

from __future__ import annotations

import math

import msgspec

from monitor.records import FlowReading, PulseReading, Quality

FALSE_STOPS_A_YEAR = 0.1
_YEAR_S = 365.25 * 86400.0
_ENOUGH_PULSES = 20  # a rate to 22 per cent, one deviation of random pulses
_ENOUGH_EXPECTED = 30.0  # or this many at the rate just before: then few pulses mean little flow
_LONGEST_WAIT_S = 600.0
_UNKNOWN_WAIT_S = 60.0  # for pulses of a sensor whose usual rate is not known yet
_TOO_MANY = 3  # pulses that may come close together by chance
_MOST_PULSES = 10**12  # no counter has seen more in one reading


class FlowState(msgspec.Struct, frozen=True, gc=False):
    """Pulses not yet turned into a rate, the time they were counted over, and since the last one."""

    pulses: int = 0
    span_s: float = 0.0
    gap_s: float = 0.0


class Sensor(msgspec.Struct, frozen=True, gc=False):
    """What turns pulses into flow.

    `pulses_per_m3` is K, `max_flow_m3_per_s` the highest flow that can be true, `offset_hz` a,
    `min_flow_m3_per_s` the flow below which the rotor may stand still, `error` how far K may be off
    as a share (twice the standard uncertainty).
    """

    pulses_per_m3: float
    max_flow_m3_per_s: float
    offset_hz: float = 0.0
    min_flow_m3_per_s: float = 0.0
    error: float = 0.1


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
        expected_m3_per_s: flow just before, from which follows how long to wait for pulses;
            `None` waits for twenty pulses or a minute.
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
    flow = _flow_m3_per_s(pulses / total, sensor)
    if flow > sensor.max_flow_m3_per_s and pulses >= _TOO_MANY:
        return _EMPTY, Estimate(None, Quality.NOISY, total)
    if expected_m3_per_s is None and pulses < _ENOUGH_PULSES and total < _UNKNOWN_WAIT_S:
        return FlowState(pulses, total, 0.0), _WAITING
    if pulses < _ENOUGH_PULSES and expected_m3_per_s is not None:
        rate = expected_m3_per_s * sensor.pulses_per_m3 - sensor.offset_hz
        gap = state.gap_s + span if reading.pulses == 0 else 0.0
        if rate > 0.0 and gap >= min(_LONGEST_WAIT_S, gap_of_a_stop_s(rate)):
            return _EMPTY, Estimate(0.0, Quality.GOOD, total)
        wait = min(_LONGEST_WAIT_S, _ENOUGH_EXPECTED / rate) if rate > 0.0 else 0.0
        if total < wait or (gap > 0.0 and pulses == 0 and rate > 0.0 and total < _LONGEST_WAIT_S):
            return FlowState(pulses, total, gap), _WAITING
    if flow > sensor.max_flow_m3_per_s:
        return _EMPTY, Estimate(None, Quality.NOISY, total)
    # A gap that has begun goes on: what follows may be the stop.
    gap = state.gap_s + span if reading.pulses == 0 else 0.0
    return FlowState(gap_s=gap) if gap else _EMPTY, Estimate(flow, Quality.GOOD, total)


def gap_of_a_stop_s(rate_hz: float) -> float:
    """Return the gap between pulses, in s, that chance makes `FALSE_STOPS_A_YEAR` times a year.

    The bound ln(1/p)/λ with p the chance allowed to each of the λ gaps a second.
    """
    return math.log(max(2.0, rate_hz * _YEAR_S / FALSE_STOPS_A_YEAR)) / rate_hz


def _flow_m3_per_s(rate_hz: float, sensor: Sensor) -> float:
    """f = K·Q − a solved for Q; no pulses are no flow."""
    return (rate_hz + sensor.offset_hz) / sensor.pulses_per_m3 if rate_hz > 0.0 else 0.0


def uncertainty_m3_per_s(flow_m3_per_s: float, span_s: float, sensor: Sensor) -> float:
    """Return the expanded uncertainty (k = 2) of a flow counted over a span.

    One count either way (rectangular) and the K factor, combined as the GUM has it (JCGM
    100:2008); below the sensor's least flow the whole range down to zero.
    """
    if flow_m3_per_s < sensor.min_flow_m3_per_s:
        return sensor.min_flow_m3_per_s
    pulses = max(1e-9, (flow_m3_per_s * sensor.pulses_per_m3 - sensor.offset_hz) * span_s)
    return flow_m3_per_s * 2.0 * math.hypot(1.0 / pulses / math.sqrt(3.0), sensor.error / 2.0)
