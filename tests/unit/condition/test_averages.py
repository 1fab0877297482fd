"""The running means against an independent brute force over the whole history.

The time constants of 10 s, 1 min, 10 min and a day are figures of this project, no source; the
exponential mean of a signal that is constant over each span is elementary.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.condition.averages import Averages, follow

CLEAN = 1 / 6000  # 600 L/h in m³/s
History = Sequence[tuple[float, float]]  # value, span in seconds


def brute_force(history: History, over_s: float) -> float:
    """The first value held from for ever, then each value weighted by its age at the end."""
    ends = [0.0]
    for _, span in history[1:]:
        ends.append(ends[-1] + span)
    last = ends[-1]
    mean = history[0][0] * math.exp(-last / over_s)
    for (value, _), begin, end in zip(history[1:], ends, ends[1:], strict=False):
        mean += value * (math.exp((end - last) / over_s) - math.exp((begin - last) / over_s))
    return mean


def followed(history: History, runs: bool = True, start: Averages | None = None) -> Averages:
    averages = start if start is not None else Averages()
    for value, span in history:
        averages = follow(averages, value, span, runs)
    return averages


flows = st.floats(0.0, 10 * CLEAN)
spans = st.floats(0.01, 900.0)
histories = st.lists(st.tuples(flows, spans), min_size=1, max_size=40)


@given(history=histories)
@settings(max_examples=150, deadline=None)
def test_the_means_are_exponential_means(history: History) -> None:
    averages = followed(history)
    tolerance = {"rel": 1e-9, "abs": 1e-12 * CLEAN}
    assert averages.steady == pytest.approx(brute_force(history, 10.0), **tolerance)
    assert averages.running == pytest.approx(brute_force(history, 600.0), **tolerance)
    assert averages.day == pytest.approx(brute_force(history, 86_400.0), **tolerance)


@given(history=histories)
@settings(max_examples=150, deadline=None)
def test_churn_is_the_mean_distance_from_the_ten_second_mean(history: History) -> None:
    distances = [(0.0, history[0][1])]
    for index in range(1, len(history)):
        value, span = history[index]
        distances.append((abs(value - brute_force(history[: index + 1], 10.0)), span))
    expected = brute_force(distances, 20.0)
    assert followed(history).churn == pytest.approx(expected, rel=1e-9, abs=1e-12 * CLEAN)


@given(history=histories)
@settings(max_examples=150, deadline=None)
def test_no_mean_leaves_the_range_of_what_was_seen(history: History) -> None:
    averages = followed(history)
    low, high = min(v for v, _ in history), max(v for v, _ in history)
    slack = 1e-12 * CLEAN
    for mean in (averages.steady, averages.running, averages.day):
        assert mean is not None
        assert low - slack <= mean <= high + slack
    assert 0.0 <= averages.churn <= high - low + slack


@given(before=flows, after=flows, parts=st.sampled_from([2, 7, 60, 600]))
@settings(max_examples=150, deadline=None)
def test_one_span_of_a_constant_equals_many_short_ones(
    before: float, after: float, parts: int
) -> None:
    start = followed([(before, 1.0)])
    whole = followed([(after, 60.0)], start=start)
    cut = followed([(after, 60.0 / parts)] * parts, start=start)
    tolerance = {"rel": 1e-9, "abs": 1e-12 * CLEAN}
    assert cut.steady == pytest.approx(whole.steady, **tolerance)
    assert cut.running == pytest.approx(whole.running, **tolerance)
    assert cut.day == pytest.approx(whole.day, **tolerance)


def test_one_minute_at_once_equals_sixty_seconds() -> None:
    start = followed([(CLEAN, 1.0)])
    whole = followed([(0.4 * CLEAN, 60.0)], start=start)
    cut = followed([(0.4 * CLEAN, 1.0)] * 60, start=start)
    assert (cut.steady, cut.running, cut.day) == pytest.approx(
        (whole.steady, whole.running, whole.day), rel=1e-12
    )


def test_a_step_is_followed_to_one_part_in_e() -> None:
    start = followed([(CLEAN, 1.0)])
    assert follow(start, 0.0, 10.0, True).steady == pytest.approx(CLEAN / math.e)
    assert follow(start, 0.0, 600.0, True).running == pytest.approx(CLEAN / math.e)
    assert follow(start, 0.0, 86_400.0, True).day == pytest.approx(CLEAN / math.e)


def test_a_stop_leaves_the_slow_means_where_they_were() -> None:
    ran = followed([(CLEAN, 1.0)] * 100)
    stopped = followed([(0.0, 1.0)] * 10_000, runs=False, start=ran)
    assert (stopped.running, stopped.day) == (ran.running, ran.day)
    assert stopped.steady == pytest.approx(0.0, abs=1e-12 * CLEAN)


def test_a_first_value_while_stopped_starts_only_the_fast_mean() -> None:
    assert follow(Averages(), 0.0, 1.0, False) == Averages(steady=0.0)


def test_the_slow_means_start_with_the_first_flow_that_runs() -> None:
    averages = follow(follow(Averages(), 0.0, 1.0, False), CLEAN, 1.0, True)
    assert (averages.running, averages.day) == (CLEAN, CLEAN)


def test_zero_is_a_mean_and_not_the_absence_of_one() -> None:
    averages = followed([(0.0, 1.0), (CLEAN, 10.0)])
    assert averages.steady == pytest.approx(CLEAN * (1 - 1 / math.e))
    assert averages.running == pytest.approx(brute_force([(0.0, 1.0), (CLEAN, 10.0)], 600.0))


def test_steady_flow_does_not_churn() -> None:
    assert followed([(CLEAN, 1.0)] * 600).churn == 0.0


@pytest.mark.parametrize("span_s", [1e-9, 1.0, 1e9, 1e300])
def test_a_span_of_any_length_keeps_the_means_finite(span_s: float) -> None:
    averages = followed([(CLEAN, 1.0), (0.5 * CLEAN, span_s)])
    assert all(
        v is not None and math.isfinite(v)
        for v in (averages.steady, averages.running, averages.day, averages.churn)
    )
