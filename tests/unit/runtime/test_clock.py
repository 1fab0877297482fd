"""The line of time that only goes forward, whatever the wall clock does."""

from __future__ import annotations

import ctypes
import itertools
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.records import Moment
from monitor.runtime.clock import Clock, kernel_synchronised, resumed_line_s

MONTH_S = 30 * 86400.0


class Hands:
    """Two clocks that are set by hand, and a kernel that answers as told."""

    def __init__(self, monotonic_s: float = 50.0, wall_s: float = 1.7e9) -> None:
        self.monotonic_s = monotonic_s
        self.wall_s = wall_s
        self.right = True
        self.asked = 0

    def clock(self, start_line_s: float = 0.0) -> Clock:
        return Clock(start_line_s, lambda: self.monotonic_s, lambda: self.wall_s, self.answer)

    def answer(self) -> bool:
        self.asked += 1
        return self.right

    def pass_s(self, seconds: float) -> None:
        self.monotonic_s += seconds
        self.wall_s += seconds


class TestTheLine:
    @pytest.mark.parametrize("start_s", [0.0, 12_345.5])
    def test_it_begins_where_it_is_told(self, start_s: float) -> None:
        assert Hands().clock(start_s).now().line_s == start_s

    def test_it_goes_as_fast_as_the_monotonic_clock(self) -> None:
        hands = Hands()
        watched = hands.clock(100.0)
        hands.pass_s(7.25)
        assert watched.now().line_s == 107.25

    @pytest.mark.parametrize("step_s", [MONTH_S, -MONTH_S])
    def test_a_step_of_the_wall_clock_by_a_month_does_not_move_it(self, step_s: float) -> None:
        hands = Hands()
        watched = hands.clock()
        hands.pass_s(10.0)
        hands.wall_s += step_s
        hands.pass_s(1.0)
        now = watched.now()
        assert now.line_s == 11.0
        assert now.utc_s == 1.7e9 + 11.0 + step_s

    @settings(deadline=None, derandomize=True)
    @given(
        st.lists(
            st.tuples(
                st.floats(min_value=0.0, max_value=86400.0),
                st.floats(min_value=-MONTH_S, max_value=MONTH_S),
            ),
            max_size=30,
        )
    )
    def test_it_never_goes_back_under_any_steps(self, moves: list[tuple[float, float]]) -> None:
        hands = Hands()
        watched = hands.clock()
        lines_s = [watched.now().line_s]
        for passed_s, step_s in moves:
            hands.pass_s(passed_s)
            hands.wall_s += step_s
            lines_s.append(watched.now().line_s)
        assert all(later >= earlier for earlier, later in itertools.pairwise(lines_s))
        assert lines_s[-1] == pytest.approx(sum(passed_s for passed_s, _ in moves), abs=1e-6)

    def test_the_real_clocks_go_forward_and_tell_the_wall_clocks_time(self) -> None:
        watched = Clock()
        first, second = watched.now(), watched.now()
        assert 0.0 <= first.line_s <= second.line_s < 60.0
        assert second.utc_s == pytest.approx(time.time(), abs=60.0)


class TestResuming:
    def test_without_a_record_the_line_begins_at_zero(self) -> None:
        assert resumed_line_s(None, 1.7e9) == 0.0

    def test_the_line_goes_on_by_what_the_wall_clock_says_was_missed(self) -> None:
        assert resumed_line_s(Moment(5000.0, 1.7e9), 1.7e9 + 3600.0) == 8600.0

    @pytest.mark.parametrize("before_s", [1.0, MONTH_S, 1.7e9])
    def test_a_wall_clock_that_is_behind_the_record_does_not_pull_it_back(
        self, before_s: float
    ) -> None:
        assert resumed_line_s(Moment(5000.0, 1.7e9), 1.7e9 - before_s) == 5000.0

    @settings(deadline=None, derandomize=True)
    @given(st.floats(0.0, 1e9), st.floats(0.0, 4e9), st.floats(0.0, 4e9))
    def test_it_never_goes_back_over_a_restart(
        self, line_s: float, saved_utc_s: float, wall_s: float
    ) -> None:
        assert resumed_line_s(Moment(line_s, saved_utc_s), wall_s) >= line_s

    def test_a_resumed_clock_begins_there(self) -> None:
        hands = Hands(monotonic_s=3.0, wall_s=1.7e9 + 120.0)
        line_s = resumed_line_s(Moment(5000.0, 1.7e9, False), hands.wall_s)
        assert hands.clock(line_s).now().line_s == 5120.0


class TestSynchronised:
    def test_the_first_moment_already_says_it(self) -> None:
        hands = Hands()
        assert hands.clock().now().synchronised
        hands.right = False
        assert not hands.clock().now().synchronised

    def test_the_kernel_is_asked_once_a_minute_and_not_each_second(self) -> None:
        hands = Hands()
        watched = hands.clock()
        for _ in range(601):
            watched.now()
            hands.pass_s(1.0)
        assert hands.asked == 11  # at 0, 60, … 600 s

    def test_a_change_is_seen_within_a_minute(self) -> None:
        hands = Hands()
        hands.right = False
        watched = hands.clock()
        watched.now()
        hands.right = True
        hands.pass_s(59.0)
        assert not watched.now().synchronised
        hands.pass_s(1.0)
        assert watched.now().synchronised

    def test_a_step_of_the_wall_clock_does_not_hold_the_question_up(self) -> None:
        hands = Hands()
        watched = hands.clock()
        watched.now()
        hands.wall_s -= MONTH_S
        hands.pass_s(60.0)
        watched.now()
        assert hands.asked == 2

    # adjtimex(2): 0 to 4 are clock states, 5 is TIME_ERROR (not synchronised), -1 a failed call.
    @pytest.mark.parametrize(
        ("state", "right"), [(0, True), (1, True), (4, True), (5, False), (-1, False)]
    )
    def test_the_kernels_answer_is_read_as_the_manual_says(
        self, state: int, right: bool, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        class Library:
            def __init__(self, _name: None) -> None: ...

            def adjtimex(self, buffer: ctypes.Array[ctypes.c_char]) -> int:
                assert not any(bytes(buffer))  # modes = 0: only reads
                return state

        monkeypatch.setattr(ctypes, "CDLL", Library)
        assert kernel_synchronised() is right

    def test_a_system_without_the_call_counts_as_not_synchronised(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(ctypes, "CDLL", lambda _name: object())
        assert kernel_synchronised() is False

    def test_the_real_kernel_answers_and_nobody_need_be_root(self) -> None:
        assert kernel_synchronised() in (True, False)
