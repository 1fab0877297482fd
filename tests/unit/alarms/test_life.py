"""An alarm's life against a brute-force model, and that nothing can silence it without an end."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms.life import NEVER, Alarm, live
from monitor.alarms.rules import Wish

ON_S, OFF_S = 10.0, 15.0  # invented
WANTED = Wish(True, False, ON_S, OFF_S)
BETWEEN = Wish(False, False, ON_S, OFF_S)  # inside the deadband
OVER = Wish(False, True, ON_S, OFF_S)

Course = Sequence[tuple[Wish, float]]


def lived(course: Course, start: Alarm = NEVER) -> list[Alarm]:
    """The alarm after each span."""
    alarm, line_s, seen = start, 0.0, []
    for wish, span_s in course:
        line_s += span_s
        alarm = live(alarm, wish, span_s, line_s, 1.7e9 + line_s)
        seen.append(alarm)
    return seen


def raised() -> Alarm:
    return lived([(WANTED, ON_S)])[-1]


def test_it_is_raised_when_the_condition_has_held_its_delay() -> None:
    seen = lived([(WANTED, 1.0)] * 10)
    assert [a.active for a in seen] == [False] * 9 + [True]
    assert seen[-1] == Alarm(
        True, 1, 0.0, 0.0, 10.0, 1.7e9 + 10.0, unacknowledged=True, since_s=10.0
    )


def test_without_a_delay_it_is_raised_at_once() -> None:
    assert live(NEVER, Wish(True, False, 0.0, OFF_S), 0.0, 5.0, 5.0).active


@pytest.mark.parametrize("other", [BETWEEN, OVER])
def test_one_moment_without_the_condition_begins_the_delay_anew(other: Wish) -> None:
    seen = lived([(WANTED, 1.0)] * 9 + [(other, 1.0)] + [(WANTED, 1.0)] * 10)
    assert [a.active for a in seen] == [False] * 19 + [True]


def test_it_is_cleared_when_the_clear_condition_has_held_its_delay() -> None:
    seen = lived([(OVER, 1.0)] * 15, raised())
    assert [a.active for a in seen] == [True] * 14 + [False]
    assert seen[-1].occurrence == 1


@pytest.mark.parametrize("other", [BETWEEN, WANTED])
def test_one_moment_without_the_clear_condition_begins_its_delay_anew(other: Wish) -> None:
    seen = lived([(OVER, 1.0)] * 14 + [(other, 1.0)] + [(OVER, 1.0)] * 15, raised())
    assert [a.active for a in seen] == [True] * 29 + [False]


def test_it_stands_in_the_deadband_for_ever() -> None:
    assert all(a.active for a in lived([(BETWEEN, 1e6)] * 10, raised()))


def test_a_span_of_no_time_moves_no_delay() -> None:
    seen = lived([(WANTED, 9.0)] + [(WANTED, 0.0)] * 100)
    assert not any(a.active for a in seen)
    assert seen[-1].on_s == 9.0


def test_a_change_of_nothing_is_the_same_alarm() -> None:
    assert live(NEVER, OVER, 1.0, 1.0, 1.0) is NEVER
    standing = raised()
    assert live(standing, WANTED, 1.0, 1.0, 1.0) is standing


def test_the_occurrence_counts_up_with_each_raise() -> None:
    once = [(WANTED, ON_S), (OVER, OFF_S)]
    assert [a.occurrence for a in lived(once * 3)] == [1, 1, 2, 2, 3, 3]


wishes = st.sampled_from([WANTED, BETWEEN, OVER])
# Quarters of a second add up without rounding, so that the model below may compare exactly.
courses = st.lists(st.tuples(wishes, st.integers(0, 40).map(lambda n: n / 4)), max_size=60)


def held(course: Course, wish: Wish) -> float:
    """How long the last spans of a course were of this wish without a break."""
    total = 0.0
    for one, span_s in reversed(course):
        if one is not wish:
            break
        total += span_s
    return total


@given(course=courses)
@settings(max_examples=150, deadline=None)
def test_the_life_is_that_of_the_brute_force_model(course: Course) -> None:
    active, since, raises, expected = False, 0, 0, []
    for index in range(1, len(course) + 1):
        so_far = course[since:index]
        wish = so_far[-1][0]
        if not active and wish is WANTED and held(so_far, WANTED) >= ON_S:
            active, since, raises = True, index, raises + 1
        elif active and wish is OVER and held(so_far, OVER) >= OFF_S:
            active, since = False, index
        expected.append((active, raises))
    assert [(a.active, a.occurrence) for a in lived(course)] == expected


@given(course=courses)
@settings(max_examples=150, deadline=None)
def test_no_past_silences_a_condition_that_holds_its_delay(course: Course) -> None:
    past = lived(course)[-1] if course else NEVER
    assert lived([(WANTED, 1.0)] * 10, past)[-1].active


@given(course=courses)
@settings(max_examples=150, deadline=None)
def test_no_past_keeps_an_alarm_whose_clear_condition_holds_its_delay(course: Course) -> None:
    past = lived(course)[-1] if course else NEVER
    assert not lived([(OVER, 1.0)] * 15, past)[-1].active
