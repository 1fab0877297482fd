"""Pulses and flows become one estimate, and what cannot be flow is never taken for it.

Published relation: the data sheet of the common half-inch hall-effect turbine gives f = 7.5 Q, f in
Hz and Q in L/min. Thus 1 L/min = 60 L/h makes 7.5 pulses a second and one litre makes 450 pulses.
"""

from __future__ import annotations

import math
import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.condition.flow import (
    Estimate,
    FlowState,
    Sensor,
    estimate,
    gap_of_a_stop_s,
    uncertainty_m3_per_s,
)
from monitor.records import FlowReading, PulseReading, Quality
from monitor.units import l_per_h, m3_per_s

LITRE_PER_MIN = 1e-3 / 60  # m³/s
HALF_INCH = Sensor(pulses_per_m3=450_000.0, max_flow_m3_per_s=30 * LITRE_PER_MIN)
NEW = FlowState()


def pulses(count: int, span_s: float = 1.0, quality: Quality = Quality.GOOD) -> PulseReading:
    return PulseReading("left", span_s, count, quality)


def flow(value: float | None, span_s: float = 1.0, quality: Quality = Quality.GOOD) -> FlowReading:
    return FlowReading("left", span_s, value, quality)


def at_once(reading: PulseReading | FlowReading) -> Estimate:
    """A flow of zero just before asks for no wait."""
    return estimate(NEW, reading, HALF_INCH, 0.0)[1]


@pytest.mark.parametrize(
    ("count", "span_s", "expected_l_per_h"),
    [
        (15, 2.0, 60),  # 7.5 Hz is 1 L/min
        (75, 1.0, 600),  # 75 Hz is 10 L/min
        (450, 60.0, 60),  # a litre in a minute
        (225, 1.0, 1800),  # 225 Hz is 30 L/min, the end of the range of the data sheet
        (27_000, 3600.0, 60),
        (0, 1.0, 0),
    ],
)
def test_pulses_become_flow_by_the_data_sheet(
    count: int, span_s: float, expected_l_per_h: float
) -> None:
    seen = at_once(pulses(count, span_s))
    assert seen.quality is Quality.GOOD
    assert seen.flow_m3_per_s is not None
    assert l_per_h(seen.flow_m3_per_s) == pytest.approx(expected_l_per_h, rel=1e-12)
    assert seen.span_s == span_s


def test_the_wrong_reading_of_the_data_sheet_is_off_by_sixty() -> None:
    """'7.5 pulses per litre' is often read into f = 7.5 Q; it would show 60 times the flow."""
    right = at_once(pulses(15, 2.0)).flow_m3_per_s
    wrong = estimate(NEW, pulses(15, 2.0), Sensor(7_500.0, 1.0), 0.0)[1].flow_m3_per_s
    assert right is not None
    assert wrong == pytest.approx(60 * right)


@given(count=st.integers(0, 10_000), span_s=st.floats(0.01, 86_400.0))
@settings(max_examples=150, deadline=None)
def test_any_count_in_range_is_count_over_span_and_k_factor(count: int, span_s: float) -> None:
    litres_per_minute = Fraction(count) / Fraction(span_s) * 60 / 450
    seen = at_once(pulses(count, span_s))
    if litres_per_minute > Fraction(30.001):
        assert (seen.flow_m3_per_s, seen.quality) == (None, Quality.NOISY)
    elif litres_per_minute < Fraction(29.999):
        assert seen.flow_m3_per_s == pytest.approx(float(litres_per_minute / 60_000))


def test_a_flow_passes_as_it_is() -> None:
    seen = at_once(flow(m3_per_s(600.0), 5.0))
    assert seen == Estimate(m3_per_s(600.0), Quality.GOOD, 5.0)


def test_zero_is_data() -> None:
    assert at_once(flow(0.0)) == Estimate(0.0, Quality.GOOD, 1.0)
    assert at_once(pulses(0)) == Estimate(0.0, Quality.GOOD, 1.0)


def test_a_meter_slightly_below_zero_at_rest_shows_zero() -> None:
    assert at_once(flow(-0.1 * LITRE_PER_MIN)) == Estimate(0.0, Quality.GOOD, 1.0)
    assert at_once(flow(-0.0)).flow_m3_per_s == 0.0


@pytest.mark.parametrize(
    ("reading", "quality"),
    [
        (flow(math.nan), Quality.OUT_OF_RANGE),
        (flow(math.inf), Quality.OUT_OF_RANGE),
        (flow(-math.inf), Quality.OUT_OF_RANGE),
        (flow(-10 * LITRE_PER_MIN), Quality.OUT_OF_RANGE),
        (flow(30.1 * LITRE_PER_MIN), Quality.OUT_OF_RANGE),
        (flow(None), Quality.MISSING),
        (flow(LITRE_PER_MIN, 0.0), Quality.MISSING),
        (flow(LITRE_PER_MIN, -1.0), Quality.MISSING),
        (pulses(-1), Quality.OUT_OF_RANGE),
        (pulses(226), Quality.NOISY),
        (pulses(1_000_000), Quality.NOISY),
        (pulses(5, 5e-324), Quality.NOISY),
        (pulses(7, 0.0), Quality.MISSING),
        (pulses(0, 0.0), Quality.MISSING),
        (pulses(7, -1.0), Quality.MISSING),
        (pulses(7, -math.inf), Quality.MISSING),
    ],
    ids=repr,
)
def test_what_cannot_be_flow_is_never_taken_for_it(
    reading: PulseReading | FlowReading, quality: Quality
) -> None:
    for expected in (None, 10 * LITRE_PER_MIN):
        seen = estimate(NEW, reading, HALF_INCH, expected)[1]
        assert (seen.flow_m3_per_s, seen.quality) == (None, quality)


@pytest.mark.parametrize("quality", [q for q in Quality if q is not Quality.GOOD])
def test_a_distrusted_value_is_dropped_and_its_quality_kept(quality: Quality) -> None:
    for reading in (pulses(75, quality=quality), flow(10 * LITRE_PER_MIN, quality=quality)):
        assert at_once(reading) == Estimate(None, quality, 1.0)


def test_the_ends_of_the_range_belong_to_it() -> None:
    assert at_once(flow(30 * LITRE_PER_MIN)).quality is Quality.GOOD
    assert at_once(pulses(225)).quality is Quality.GOOD


# Low rates. Five pulses give a rate to one part in five; the wait for them at clean flow is at most
# one and a half times what five pulses take, and never above two minutes. Figures of this project,
# no source.

TRICKLE = 0.05 * LITRE_PER_MIN  # 0.375 Hz: five pulses take 13.3 s, patience ends at 20 s


def each_second(counts: list[int], expected: float) -> list[Estimate]:
    state, seen = NEW, []
    for count in counts:
        state, one = estimate(state, pulses(count), HALF_INCH, expected)
        seen.append(one)
    return seen


def test_a_slow_sensor_waits_for_enough_pulses() -> None:
    seen = each_second([1, 0] * 20, TRICKLE)
    assert [s.quality for s in seen[:38]] == [Quality.COLLECTING] * 38
    assert all(s.flow_m3_per_s is None and s.span_s == 0.0 for s in seen[:38])
    # twenty pulses in thirty-nine seconds, by f = 7.5 Q
    assert seen[38] == Estimate(pytest.approx(m3_per_s(20 / 39 / 7.5 * 60)), Quality.GOOD, 39.0)


def test_a_stop_is_believed_at_the_bound_of_a_pulse_gap_test() -> None:
    """ln(λ·year/0.1)/λ at 0.375 Hz: ln(1.183e8)/0.375 = 49.6 s, by hand."""
    seen = each_second([0] * 60, TRICKLE)
    first = next(n for n, s in enumerate(seen) if s.flow_m3_per_s == 0.0)
    assert first + 1 == 50
    assert gap_of_a_stop_s(0.375) == pytest.approx(49.6, abs=0.1)


def test_the_gap_counts_from_the_last_pulse() -> None:
    seen = each_second([1, 1, 1] + [0] * 60, TRICKLE)
    first = next(n for n, s in enumerate(seen) if s.flow_m3_per_s == 0.0)
    assert first + 1 == 53


def test_the_gap_shrinks_with_the_rate() -> None:
    assert gap_of_a_stop_s(75.0) < 0.4, "a half-inch body at 600 L/h: within the second"
    assert gap_of_a_stop_s(7.5) < 4.0


def test_little_flow_is_told_as_little_flow() -> None:
    """One pulse in eight seconds where three were usual: 0.125 Hz are 1 L/h, by f = 7.5 Q."""
    seen = each_second(([0] * 7 + [1]) * 11, TRICKLE)
    told = [s for s in seen if s.flow_m3_per_s is not None]
    assert told[0] == Estimate(pytest.approx(m3_per_s(1.0)), Quality.GOOD, 80.0)


def test_the_offset_line() -> None:
    """f = K·Q − a with K = 8 Hz per L/min and a = 3 Hz: 37 Hz are 5 L/min, by hand."""
    sensor = Sensor(480_000.0, 30 * LITRE_PER_MIN, offset_hz=3.0)
    seen = estimate(NEW, pulses(37), sensor, None)[1]
    assert seen.flow_m3_per_s == pytest.approx(5 * LITRE_PER_MIN)
    assert estimate(NEW, pulses(0), sensor, 0.0)[1].flow_m3_per_s == 0.0


@pytest.mark.parametrize(("litres_per_minute", "per_cent"), [(2, 6.67), (5, 2.67), (10, 1.33)])
def test_uncertainty_of_one_count_in_a_second(litres_per_minute: float, per_cent: float) -> None:
    """One count of 7.5·Q in a second, by hand: 6.67, 2.67 and 1.33 %, as a rectangular half-width."""
    exact = Sensor(450_000.0, 30 * LITRE_PER_MIN, error=0.0)
    flow_of = litres_per_minute * LITRE_PER_MIN
    got = uncertainty_m3_per_s(flow_of, 1.0, exact) / flow_of
    assert got == pytest.approx(2 * per_cent / 100 / math.sqrt(3), rel=0.02)


def test_below_its_least_flow_a_sensor_knows_nothing() -> None:
    sensor = Sensor(450_000.0, 30 * LITRE_PER_MIN, min_flow_m3_per_s=LITRE_PER_MIN)
    assert uncertainty_m3_per_s(0.3 * LITRE_PER_MIN, 1.0, sensor) == LITRE_PER_MIN


def test_a_fast_sensor_does_not_wait() -> None:
    assert each_second([0], 10 * LITRE_PER_MIN) == [Estimate(0.0, Quality.GOOD, 1.0)]


def test_no_wait_is_longer_than_ten_minutes() -> None:
    seen = each_second([0] * 600, 1e-9 * LITRE_PER_MIN)
    assert all(s.quality is Quality.COLLECTING for s in seen[:599])
    assert seen[599] == Estimate(0.0, Quality.GOOD, 600.0)


@pytest.mark.parametrize("expected", [0.0, -1.0])
def test_after_no_flow_each_reading_is_taken_as_it_comes(expected: float) -> None:
    seen = estimate(NEW, pulses(0), HALF_INCH, expected)[1]
    assert seen == Estimate(0.0, Quality.GOOD, 1.0)


def each_second_of_an_unknown_sensor(counts: list[int]) -> list[Estimate]:
    state, seen = NEW, []
    for count in counts:
        state, one = estimate(state, pulses(count), HALF_INCH, None)
        seen.append(one)
    return seen


def test_a_rate_not_known_yet_waits_for_twenty_pulses() -> None:
    """Two a second: twenty in ten seconds, 2 Hz are 16 L/h by f = 7.5 Q."""
    seen = each_second_of_an_unknown_sensor([2] * 10)
    assert [s.quality for s in seen[:9]] == [Quality.COLLECTING] * 9
    assert seen[9] == Estimate(pytest.approx(m3_per_s(16.0)), Quality.GOOD, 10.0)


def test_a_rate_not_known_yet_waits_a_minute_at_most() -> None:
    seen = each_second_of_an_unknown_sensor([0] * 60)
    assert [s.quality for s in seen[:59]] == [Quality.COLLECTING] * 59
    assert seen[59] == Estimate(0.0, Quality.GOOD, 60.0)


@given(
    counts=st.lists(st.integers(0, 3), min_size=1, max_size=150),
    spans=st.sampled_from([0.25, 1.0, 5.0]),
    litres_per_minute=st.floats(0.001, 30.0),
)
@settings(max_examples=150, deadline=None)
def test_no_pulse_is_made_up_and_no_second_is_lost_while_waiting(
    counts: list[int], spans: float, litres_per_minute: float
) -> None:
    expected = litres_per_minute * LITRE_PER_MIN
    state, told_pulses, told_s, waited = NEW, 0.0, 0.0, 0.0
    for count in counts:
        state, seen = estimate(state, pulses(count, spans), HALF_INCH, expected)
        if seen.quality is Quality.COLLECTING:
            waited += spans
            assert waited < 600.0 * (1 + 1e-9)
        elif seen.flow_m3_per_s is not None:
            told_pulses += seen.flow_m3_per_s * 450_000.0 * seen.span_s
            told_s += seen.span_s
            waited = 0.0
        else:  # twelve pulses a second are the most here, far inside the range
            pytest.fail(f"{count} in {spans} s gave {seen}")
    # Pulses of a window that a stop ended are dropped with it, never more than it held.
    assert told_pulses + state.pulses <= sum(counts) * (1 + 1e-9)
    assert told_s + state.span_s == pytest.approx(spans * len(counts))


@pytest.mark.parametrize(
    "bad",
    [
        pulses(3, quality=Quality.DISCONNECTED),
        pulses(-3),
        pulses(10_000),
        flow(math.nan),
        flow(None),
    ],
    ids=repr,
)
def test_pulses_from_before_a_bad_reading_are_forgotten(bad: PulseReading | FlowReading) -> None:
    waiting, _ = estimate(NEW, pulses(4), HALF_INCH, TRICKLE)
    assert waiting.pulses == 4
    state, seen = estimate(waiting, bad, HALF_INCH, TRICKLE)
    assert seen.flow_m3_per_s is None
    assert state == NEW


def test_a_reading_of_no_time_keeps_the_pulses_that_wait() -> None:
    waiting, _ = estimate(NEW, pulses(4), HALF_INCH, TRICKLE)
    state, _ = estimate(waiting, pulses(9, 0.0), HALF_INCH, TRICKLE)
    assert state == waiting


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 75.0, 200.0])
def test_random_pulses_give_their_rate_from_one_to_two_hundred_a_second(rate_hz: float) -> None:
    """Pulses at random (Poisson) with a known mean; ten minutes give it to 5 deviations."""
    generator = random.Random(int(rate_hz))
    expected = rate_hz / 450_000.0
    state, flow_s, seconds = NEW, 0.0, 0.0
    due = generator.expovariate(rate_hz)
    for second in range(1, 601):
        counted = 0
        while due < second:
            counted += 1
            due += generator.expovariate(rate_hz)
        state, seen = estimate(state, pulses(counted), HALF_INCH, expected)
        if seen.flow_m3_per_s is not None:
            flow_s += seen.flow_m3_per_s * seen.span_s
            seconds += seen.span_s
    deviation = 1 / math.sqrt(rate_hz * seconds)
    assert flow_s / seconds == pytest.approx(expected, rel=5 * deviation)
