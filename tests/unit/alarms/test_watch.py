"""One filter in simulated seconds, from readings to what is said about it.

Flows and courses are invented; 600 L/h is 10 L/min and by f = 7.5 Q (Hz, L/min), the data sheet of
the common half-inch hall-effect turbine, 75 pulses a second. Times at which a mean crosses a share
are worked out by hand from the exponential step response a + b·exp(-t/τ).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms import acts, watch
from monitor.alarms.rules import Limits
from monitor.alarms.watch import KINDS, WatchPlan, WatchState
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning, Phase
from monitor.records import (
    AlarmKind,
    Assessment,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    FlowReading,
    Moment,
    PulseReading,
    Quality,
    Reading,
    TemperatureReading,
)

LITRE_PER_MIN = 1e-3 / 60  # m³/s
CLEAN = 10 * LITRE_PER_MIN
YEAR_S = 365.25 * 86_400
SENSOR = Sensor(450_000.0, 30 * LITRE_PER_MIN)
PLAN = WatchPlan(ConditionPlan("left", SENSOR, Learning(0.0, 12.0, 0.05)))
# Short delays, so that random courses of a minute or two meet every alarm.
QUICK = msgspec.structs.replace(
    PLAN,
    limits=Limits(
        cleaning_due_hold_s=20.0, flow_low_hold_s=6.0, flow_stopped_hold_s=3.0,
        flow_unknown_hold_s=5.0, clear_hold_s=4.0, flow_high_hold_s=5.0,
    ),
)  # fmt: skip

RAISED, CLEARED = EventKind.RAISED, EventKind.CLEARED
# What is merely seen, and what is said again: these have tests of their own.
UNTOLD = {EventKind.OBSERVED, EventKind.REPEATED, EventKind.ESCALATED}
STOPPED, LOW = AlarmKind.FLOW_STOPPED, AlarmKind.FLOW_LOW
DUE, UNKNOWN = AlarmKind.CLEANING_DUE, AlarmKind.FLOW_UNKNOWN


def at(line_s: float) -> Moment:
    return Moment(line_s, 1.7e9 + line_s)


class Filter:
    """A filter in simulated time: what it does is said by the test, what is said of it is kept."""

    def __init__(self, plan: WatchPlan = PLAN, state: WatchState | None = None) -> None:
        self.plan = plan
        self.state = state if state is not None else WatchState()
        self.now_s = 0.0
        self.events: list[Event] = []
        self.seen: list[Assessment] = []
        self.between: Callable[[WatchState], WatchState] = lambda state: state

    def step(self, *readings: Reading, after_s: float = 1.0) -> None:
        self.now_s += after_s
        self.state, seen, events = watch.step(
            self.between(self.state), self.plan, readings, at(self.now_s)
        )
        self.seen.append(seen)
        # What the statistics merely see is on the record and no alarm; it has tests of its own.
        self.events += [e for e in events if e.event not in UNTOLD]

    def runs(self, *shares: float, span_s: float = 1.0) -> Filter:
        """One reading after the other, as shares of the clean flow."""
        for share in shares:
            self.step(FlowReading("left", span_s, share * CLEAN), after_s=span_s)
        return self

    def silent(self, seconds: int) -> Filter:
        for _ in range(seconds):
            self.step()
        return self

    def cleaned(self) -> None:
        self.state, events = acts.cleaned(self.state, self.plan, at(self.now_s))
        self.events += events

    def undone(self) -> None:
        self.state, events = acts.cleaned_undone(self.state, self.plan, at(self.now_s))
        self.events += events

    def restarted(self, away_s: float) -> None:
        self.now_s += away_s
        self.state = watch.resumed(written_and_read(self.state), self.plan, at(self.now_s))

    def take(self) -> list[tuple[EventKind, AlarmKind | None, float]]:
        """What happened since the last call, with the second at which it did."""
        taken = [(e.event, e.alarm, e.line_s) for e in self.events]
        self.events = []
        return taken


def commissioned(plan: WatchPlan = PLAN) -> Filter:
    """A filter whose clean flow was just learned; its clock starts at zero."""
    one = Filter(plan).runs(*[1.0] * 12)
    assert one.take() == [(EventKind.CLEAN_FLOW_LEARNED, None, 12.0)]
    new = Filter(plan, watch.resumed(one.state, plan, at(0.0)))
    assert new.state.condition.reference.clean == pytest.approx(CLEAN)
    return new


def written_and_read(state: WatchState) -> WatchState:
    return msgspec.json.decode(msgspec.json.encode(state), type=WatchState)


# Flow stopped


def test_a_stop_is_raised_after_exactly_its_hold_time() -> None:
    one = commissioned().runs(*[1.0] * 30, *[0.0] * 9)
    assert one.take() == []
    one.runs(0.0)
    event = one.events[0]
    assert one.take() == [(RAISED, STOPPED, 40.0)]
    assert (event.filter_id, event.utc_s, event.occurrence) == ("left", 1.7e9 + 40, 1)
    assert (event.flow_m3_per_s, event.cause) == (0.0, Cause.PUMP_OR_POWER)
    assert event.clean_m3_per_s == pytest.approx(CLEAN)
    assert event.clean_basis is CleanBasis.MEASURED
    assert "unplug" in event.advice
    assert "600 L/h" in event.evidence


def test_a_stop_seen_in_pulses_is_raised_the_same() -> None:
    one = commissioned()
    for second in range(1, 41):
        one.step(PulseReading("left", 1.0, 75 if second <= 30 else 0))
    assert one.take() == [(RAISED, STOPPED, 40.0)]


def test_half_seconds_add_up_to_the_same_hold_time() -> None:
    one = commissioned().runs(*[0.0] * 30, span_s=0.5)
    assert one.take() == [(RAISED, STOPPED, 10.0)]


def test_a_trickle_is_a_stop_with_another_cause() -> None:
    one = commissioned().runs(*[1.0] * 30, *[0.1] * 10)
    assert (one.events[0].alarm, one.events[0].cause) == (STOPPED, Cause.BLOCKED)


@pytest.mark.parametrize("between", [1.0, 0.21])
def test_one_sample_above_the_share_begins_the_hold_anew(between: float) -> None:
    one = commissioned().runs(*[0.0] * 9, between, *[0.0] * 9)
    assert one.take() == []
    assert one.runs(0.0).take() == [(RAISED, STOPPED, 20.0)]


def test_a_stop_is_cleared_above_the_margin_after_the_clear_hold() -> None:
    one = commissioned().runs(*[0.0] * 10)
    one.take()
    one.runs(*[0.24] * 600)  # above the share, inside the margin: neither again nor over
    assert [e for e in one.take() if e[1] is STOPPED] == []
    one.runs(*[1.0] * 14, 0.24, *[1.0] * 14)
    assert [e for e in one.take() if e[1] is STOPPED] == []
    assert one.runs(1.0).take() == [(CLEARED, STOPPED, 640.0)]


def test_the_cleared_event_pairs_with_the_raised_one() -> None:
    one = commissioned()
    for _ in range(3):
        one.runs(*[0.0] * 10, *[1.0] * 15)
    assert [(e.event, e.alarm, e.occurrence) for e in one.events] == [
        (event, STOPPED, n) for n in (1, 2, 3) for event in (RAISED, CLEARED)
    ]
    raised, cleared = one.events[:2]
    assert (cleared.cause, cleared.evidence) == (raised.cause, raised.evidence)
    assert "runs again" in cleared.advice
    assert cleared.flow_m3_per_s == pytest.approx(CLEAN)


def test_one_stop_is_raised_once() -> None:
    one = commissioned().runs(*[0.0] * 5000)
    assert one.take() == [(RAISED, STOPPED, 10.0)]


# Flow low


def test_a_sudden_restriction_is_low_flow() -> None:
    """0.4 + 0.6·exp(-t/10) is below one half from t = 10·ln 6 = 17.9 s on; the hold is 60 s."""
    one = commissioned().runs(*[1.0] * 600, *[0.4] * 76)
    assert one.take() == []
    one.runs(0.4)
    event = one.events[0]
    assert one.take() == [(RAISED, LOW, 677.0)]
    assert event.cause is Cause.SUDDEN_RESTRICTION
    assert "kinked hose" in event.advice


def test_churning_water_is_low_flow_with_air() -> None:
    one = commissioned().runs(*[1.0] * 600, *[0.7, 0.1] * 60)
    assert [(e.event, e.alarm, e.cause) for e in one.events] == [(RAISED, LOW, Cause.AIR)]


def test_air_that_starves_the_flow_at_last_is_still_air() -> None:
    one = commissioned().runs(*[1.0] * 600, *[0.7, 0.1] * 60, *[0.1] * 30)
    event = one.events[-1]
    assert (event.alarm, event.cause) == (STOPPED, Cause.AIR)
    assert "a trickle of 10%" in event.evidence
    assert "swings" in event.evidence
    assert "let air out" in event.advice


def test_low_flow_is_cleared_above_the_margin_after_the_clear_hold() -> None:
    """1 - 0.6·exp(-t/10) is above 0.55 from t = 10·ln(0.6/0.45) = 2.9 s on; the hold is 15 s."""
    one = commissioned().runs(*[1.0] * 600, *[0.4] * 200)
    one.take()
    one.runs(*[0.53] * 100)
    assert one.take() == []
    one.runs(*[0.4] * 100, *[1.0] * 16)
    assert one.take() == []
    assert one.runs(1.0).take() == [(CLEARED, LOW, 1017.0)]


def test_a_stop_does_not_become_low_flow_as_well() -> None:
    one = commissioned().runs(*[1.0] * 60, *[0.0] * 3600)
    assert [e[1] for e in one.take()] == [STOPPED]


# Cleaning due


def test_cleaning_is_due_after_the_hold_of_the_ten_minute_mean() -> None:
    """0.7 + 0.3·exp(-t/600) is below 0.75 from t = 600·ln 6 = 1075.1 s on; the hold is an hour."""
    one = commissioned().runs(*[1.0] * 60, span_s=10.0)
    one.runs(*[0.7] * 466, span_s=10.0)
    assert one.take() == []
    one.runs(0.7, span_s=10.0)
    assert one.take() == [(RAISED, DUE, 600.0 + 1080.0 + 3590.0)]


def test_a_short_recovery_begins_the_hold_of_cleaning_due_anew() -> None:
    one = commissioned().runs(*[0.7] * 450, *[1.0] * 30, *[0.7] * 300, span_s=10.0)
    assert one.take() == []


def test_a_filter_that_clogs_over_days_is_due_first_and_low_later() -> None:
    days, span_s = 9, 300.0
    steps = int(days * 86_400 / span_s)
    one = commissioned().runs(*[1.0 - 0.6 * n / steps for n in range(steps)], span_s=span_s)
    assert [(e.event, e.alarm, e.cause) for e in one.events] == [
        (RAISED, DUE, Cause.MEDIA_CLOGGED),
        (RAISED, LOW, Cause.MEDIA_CLOGGED),
    ]
    due, low = (e.line_s / 86_400 for e in one.events)
    assert due == pytest.approx(days * 0.25 / 0.6, abs=0.1)
    assert low == pytest.approx(days * 0.5 / 0.6, abs=0.1)


@pytest.mark.parametrize("left", [0.0, 0.15])
def test_cleaning_is_not_due_while_the_water_stands(left: float) -> None:
    one = commissioned().runs(*[0.76] * 360, *[left] * 2000, span_s=10.0)
    assert [e[:2] for e in one.take()] == [(RAISED, STOPPED)]


def test_the_hold_of_cleaning_due_stands_still_over_a_stop() -> None:
    """An hour below the share is wanted; half of it before the stop and half after is enough."""
    one = commissioned().runs(*[0.7] * (107 + 180), span_s=10.0)
    one.runs(*[0.0] * 1000, span_s=10.0)
    one.take()
    one.runs(*[0.7] * 300, span_s=10.0)
    assert (RAISED, DUE) in [e[:2] for e in one.take()]


def due() -> Filter:
    one = commissioned().runs(*[0.7] * 600, span_s=10.0)
    assert [e[:2] for e in one.take()] == [(RAISED, DUE)]
    return one


def test_a_cleaning_clears_cleaning_due_and_learns_anew() -> None:
    one = due()
    one.cleaned()
    assert [(e.event, e.alarm, e.occurrence) for e in one.events] == [
        (EventKind.CLEANED, None, 0),
        (CLEARED, DUE, 1),
    ]
    one.take()
    one.runs(*[0.9] * 11)
    assert one.seen[-1].clean_basis is CleanBasis.PROVISIONAL
    assert one.seen[-1].clean_m3_per_s == pytest.approx(CLEAN)
    one.runs(0.9)
    assert one.take() == [(EventKind.CLEAN_FLOW_LEARNED, None, 6012.0)]
    assert one.seen[-1].clean_basis is CleanBasis.MEASURED
    assert one.seen[-1].clean_m3_per_s == pytest.approx(0.9 * CLEAN)


def test_after_a_cleaning_cleaning_is_due_by_the_new_clean_flow_and_counts_up() -> None:
    one = due()
    one.cleaned()
    one.runs(*[0.9] * 60, span_s=10.0)
    one.take()
    one.runs(*[0.7] * 1000, span_s=10.0)  # 78 % of the new clean flow: not due
    assert one.take() == []
    one.runs(*[0.6] * 1000, span_s=10.0)
    assert [(e.event, e.alarm, e.occurrence) for e in one.events] == [(RAISED, DUE, 2)]


def test_a_cleaning_that_helped_nothing_is_not_due_at_once() -> None:
    one = due()
    one.cleaned()
    one.take()
    one.runs(*[0.7] * 100, span_s=10.0)
    assert [e[0] for e in one.take()] == [EventKind.CLEAN_FLOW_LEARNED]


def test_a_cleaning_says_nothing_about_a_stop() -> None:
    one = commissioned().runs(*[0.0] * 10)
    one.take()
    one.cleaned()
    assert one.take() == [(EventKind.CLEANED, None, 10.0)]
    assert one.state.alarm(STOPPED).active


def test_a_cleaning_taken_back_restores_the_old_clean_flow() -> None:
    one = due()
    before = one.state.condition.reference
    one.cleaned()
    one.runs(*[0.7] * 20)
    one.take()
    one.undone()
    assert one.take() == [(EventKind.CLEANED_UNDONE, None, 6020.0)]
    assert one.state.condition.reference == before
    one.runs(*[0.7] * 600, span_s=10.0)
    assert [(e.event, e.alarm, e.occurrence) for e in one.events] == [(RAISED, DUE, 2)]


def test_without_a_cleaning_there_is_nothing_to_take_back() -> None:
    one = due()
    before = one.state
    one.undone()
    assert one.state is before
    assert one.take() == []


def test_a_cleaning_is_taken_back_only_once() -> None:
    one = due()
    one.cleaned()
    one.undone()
    one.take()
    one.undone()
    assert one.take() == []


def test_an_unsteady_clean_flow_is_told_as_such() -> None:
    """Every stretch surges by a fifth: after ten of them the middle is taken, and it says so."""
    one = Filter().runs(*[0.9, 1.1] * 60)
    assert [e.event for e in one.events] == [EventKind.CLEAN_FLOW_LEARNED]
    assert "no steady stretch" in one.events[0].evidence
    steady = Filter().runs(*[1.0] * 12)
    assert steady.events[0].evidence == "the first steady stretch"


# Flow unknown


def test_silence_is_told_after_a_minute_and_cleared_after_readings_return() -> None:
    one = commissioned().runs(*[1.0] * 10).silent(59)
    assert one.take() == []
    one.silent(1)
    event = one.events[0]
    assert one.take() == [(RAISED, UNKNOWN, 70.0)]
    assert (event.cause, event.evidence) == (Cause.SENSOR_WIRING, "no readings for 60 s")
    assert one.silent(1000).take() == []
    assert one.runs(*[1.0] * 14).take() == []
    assert one.runs(1.0).take() == [(CLEARED, UNKNOWN, 1085.0)]
    assert one.seen[-1].flow_m3_per_s == pytest.approx(CLEAN)


def test_one_reading_in_between_begins_the_minute_anew() -> None:
    assert commissioned().silent(59).runs(1.0).silent(59).take() == []


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (PulseReading("left", 1.0, 1_000_000), "pulses faster than any water makes them"),
        (FlowReading("left", 1.0, math.nan), "beyond the sensor's range"),
        (FlowReading("left", 1.0, None, Quality.DISCONNECTED), "not there"),
    ],
    ids=["noise", "nan", "no sensor"],
)
def test_readings_that_are_not_flow_are_told_after_a_minute(reading: Reading, words: str) -> None:
    one = commissioned()
    for _ in range(60):
        one.step(reading)
    assert [(e.event, e.alarm, e.line_s) for e in one.events] == [(RAISED, UNKNOWN, 60.0)]
    assert words in one.events[0].evidence
    assert one.events[0].flow_m3_per_s is None


def test_silence_is_not_a_stop() -> None:
    one = commissioned().runs(*[0.0] * 9).silent(3600)
    assert [e[1] for e in one.take()] == [UNKNOWN]


def test_a_silent_filter_that_was_never_measured_is_told_too() -> None:
    assert [e[1] for e in Filter().silent(100).take()] == [UNKNOWN]


def test_time_that_repeats_moves_no_delay_of_silence() -> None:
    one = commissioned().silent(59)
    for _ in range(1000):
        one.step(after_s=0.0)
    assert one.take() == []
    one.silent(1)
    one.take()
    for _ in range(1000):
        one.step(FlowReading("left", 1.0, CLEAN), after_s=0.0)
    assert one.take() == []


@pytest.mark.parametrize("back_s", [1.0, 3600.0, YEAR_S])
def test_time_that_runs_backwards_moves_no_delay_of_silence(back_s: float) -> None:
    one = commissioned().silent(59)
    one.step(after_s=-back_s)
    one.step(after_s=back_s)
    assert one.take() == []
    assert one.silent(1).take() == [(RAISED, UNKNOWN, 60.0)]


@pytest.mark.parametrize("gap_s", [61.0, 86_400.0, YEAR_S])
def test_a_gap_between_two_readings_raises_nothing(gap_s: float) -> None:
    one = commissioned().runs(*[1.0] * 10, *[0.0] * 5)
    one.step(FlowReading("left", 1.0, 0.0), after_s=gap_s)
    assert one.take() == []
    one.runs(*[0.0] * 3)
    assert one.take() == []
    assert [e[:2] for e in one.runs(0.0).take()] == [(RAISED, STOPPED)]


# What is known of clean flow decides what is judged


def test_a_prediction_alone_judges_only_a_stop() -> None:
    predicted = ConditionPlan("left", SENSOR, Learning(1e6, 12.0, 0.05), predicted_m3_per_s=CLEAN)
    one = Filter(WatchPlan(predicted)).runs(*[0.4] * 1000, span_s=10.0).runs(*[0.7, 0.1] * 200)
    assert one.take() == []
    assert one.seen[-1].clean_basis is CleanBasis.PREDICTED
    one.runs(*[0.0] * 10)
    assert [e[:2] for e in one.take()] == [(RAISED, STOPPED)]


def test_without_any_clean_flow_no_flow_is_judged() -> None:
    one = Filter(WatchPlan(ConditionPlan("left", SENSOR, Learning(1e6, 12.0, 0.05))))
    assert one.runs(*[0.4] * 100, *[0.0] * 100).take() == []


# Restarts


@pytest.mark.parametrize("away_s", [0.0, 5.0, 86_400.0])
def test_an_alarm_that_stands_is_not_repeated_after_a_restart(away_s: float) -> None:
    one = commissioned().runs(*[0.0] * 10)
    one.take()
    one.restarted(away_s)
    one.runs(*[0.0] * 100)
    assert one.take() == []
    one.runs(*[1.0] * 15)
    assert [(e.event, e.alarm, e.occurrence) for e in one.events] == [(CLEARED, STOPPED, 1)]


def test_silence_that_stands_is_not_repeated_after_a_restart() -> None:
    one = commissioned().silent(60)
    one.take()
    one.restarted(3600.0)
    assert one.silent(600).take() == []
    assert [e[:2] for e in one.runs(*[1.0] * 15).take()] == [(CLEARED, UNKNOWN)]


def test_a_hold_begins_anew_after_a_restart() -> None:
    one = commissioned().runs(*[0.0] * 9)
    one.restarted(30.0)
    assert one.runs(*[0.0] * 9).take() == []
    assert one.runs(0.0).take() == [(RAISED, STOPPED, 49.0)]


def test_the_time_away_is_not_silence() -> None:
    one = commissioned().silent(59)
    one.restarted(86_400.0)
    assert one.silent(59).take() == []
    assert [e[1] for e in one.silent(1).take()] == [UNKNOWN]


def test_learning_goes_on_over_a_restart() -> None:
    one = Filter().runs(*[1.0] * 6)
    one.restarted(600.0)
    assert [e[0] for e in one.runs(*[1.0] * 6).take()] == [EventKind.CLEAN_FLOW_LEARNED]


# Random courses: blocks of a share of clean flow (`None`: no readings) that last some seconds

blocks = st.lists(
    st.tuples(
        st.sampled_from([1.0, 1.0, 0.9, 0.7, 0.53, 0.4, 0.3, 0.22, 0.1, 0.0, None]),
        st.integers(1, 30),
    ),
    min_size=1,
    max_size=8,
)
deeds = st.sampled_from(["cleaned", "undone", "restarted", ""])


def lives(one: Filter, course: Iterable[tuple[float | None, int]]) -> Filter:
    for share, seconds in course:
        if share is None:
            one.silent(seconds)
        else:
            one.runs(*[share * (1 + 0.001 * math.sin(n)) for n in range(seconds)])
    return one


def told(one: Filter) -> bytes:
    """Everything that came out, to the last bit: JSON writes each float so that it reads back."""
    return msgspec.json.encode((one.seen, one.events, one.state))


@given(course=blocks, cut=st.integers(0, 240))
@settings(max_examples=150, deadline=None)
def test_a_state_written_and_read_goes_on_the_same_to_the_last_bit(
    course: list[tuple[float | None, int]], cut: int
) -> None:
    straight = lives(Filter(QUICK), course)
    broken = Filter(QUICK)
    steps = itertools.count()

    def at_the_cut(state: WatchState) -> WatchState:
        if next(steps) != cut:
            return state
        read = written_and_read(state)
        assert read == state
        return read

    broken.between = at_the_cut
    lives(broken, course)
    assert told(broken) == told(straight)


@given(course=blocks)
@settings(max_examples=100, deadline=None)
def test_a_state_written_and_read_at_every_step_gives_the_same_events(
    course: list[tuple[float | None, int]],
) -> None:
    straight, broken = lives(Filter(QUICK), course), Filter(QUICK)
    broken.between = written_and_read
    lives(broken, course)
    assert broken.events == straight.events
    assert told(broken) == told(straight)


def deed(one: Filter, name: str) -> None:
    if name == "restarted":
        one.restarted(100.0)
    elif name:
        getattr(one, name)()


@given(course=st.lists(st.tuples(deeds, blocks), min_size=1, max_size=4))
@settings(max_examples=150, deadline=None)
def test_raised_and_cleared_alternate_and_count_up_whatever_people_do(
    course: list[tuple[str, list[tuple[float | None, int]]]],
) -> None:
    one = commissioned(QUICK)
    for name, part in course:
        deed(one, name)
        lives(one, part)
    for kind in KINDS:
        about = [e for e in one.events if e.alarm is kind and e.event is not EventKind.UPDATED]
        assert [e.event for e in about] == [RAISED, CLEARED] * (len(about) // 2) + (
            [RAISED] if len(about) % 2 else []
        )
        assert [e.occurrence for e in about] == [n // 2 + 1 for n in range(len(about))]
        assert one.state.alarm(kind).active is bool(len(about) % 2)
        why = one.state.reasons[watch.KINDS.index(kind)]
        assert (why is not None) is (one.state.alarm(kind).occurrence > 0)
        assert all(e.advice and e.consequence for e in about if e.event is RAISED)


@given(course=st.lists(st.tuples(deeds, blocks), max_size=4))
@settings(max_examples=150, deadline=None)
def test_no_past_and_no_deed_silences_a_stop_or_a_silence(
    course: list[tuple[str, list[tuple[float | None, int]]]],
) -> None:
    one = commissioned(QUICK)
    for name, part in course:
        lives(one, part)
        deed(one, name)
    one.runs(0.0, 0.0, 0.0)
    assert one.state.alarm(STOPPED).active
    one.silent(5)
    assert one.state.alarm(UNKNOWN).active


# Hostile input

NAN, INF = math.nan, math.inf
SPANS = (NAN, INF, 1.0, 0.5, 60.0, 0.0, -1.0, 1e-9, 5e-324, YEAR_S, 1e12, 1e300, -INF)
COUNTS = (0, 1, 4, 75, 225, 226, 1_000_000, 10**9, -1, -(10**9))
FLOWS = (CLEAN, 0.4 * CLEAN, 0.1 * CLEAN, 3 * CLEAN, 0.0, -0.0, 5e-324, -1e-9, -1.0, 1e300,
         NAN, INF, -INF, None)  # fmt: skip
DEGREES = (NAN, INF, 25.0, 0.0, -0.0625, 85.0, -127.0, 1e300, None)
LEAPS = (1.0, 1.0, 0.0, 1e-9, 61.0, 3600.0, YEAR_S, -1.0, -3600.0, -YEAR_S)
HOSTILE: tuple[Reading, ...] = (
    *(PulseReading("left", s, n) for s in SPANS for n in COUNTS),
    *(FlowReading("left", s, f) for s in SPANS for f in FLOWS),
    *(TemperatureReading("left", t) for t in DEGREES),
    *(PulseReading("left", 1.0, 75, q) for q in Quality),
    *(FlowReading("left", 1.0, CLEAN, q) for q in Quality),
    *(TemperatureReading("left", 25.0, q) for q in Quality),
)
SLOW = msgspec.structs.replace(  # a sensor that has to wait for its pulses, with a prediction
    QUICK,
    condition=ConditionPlan(
        "left", SENSOR, Learning(2.0, 12.0, 0.05), predicted_m3_per_s=0.05 * LITRE_PER_MIN
    ),
)


def warm(temperature_c: float | None) -> Filter:
    """A running filter whose water has had this temperature for a while."""
    banded = msgspec.structs.replace(
        QUICK.limits, temperature_min_c=22.0, temperature_max_c=28.0, temperature_hold_s=3.0,
        probe_hold_s=3.0, has_probe=True,
    )  # fmt: skip
    one = Filter(msgspec.structs.replace(QUICK, limits=banded), commissioned(QUICK).state)
    for _ in range(12):
        one.step(FlowReading("left", 1.0, CLEAN), TemperatureReading("left", temperature_c))
    return one


def starts() -> tuple[tuple[WatchPlan, WatchState], ...]:
    """New, slow, learning, held, each alarm standing, and just cleaned."""
    cleaned = commissioned(QUICK)
    cleaned.cleaned()
    found = [Filter(QUICK), Filter(SLOW), Filter(QUICK).runs(*[1.0] * 6), commissioned(QUICK),
             commissioned(QUICK).runs(*[0.0] * 10), commissioned(QUICK).runs(*[0.4] * 40),
             commissioned(QUICK).runs(*[0.6] * 1000), commissioned(QUICK).silent(10),
             commissioned(QUICK).runs(*[1.5] * 60), warm(30.0), warm(18.0), warm(None),
             cleaned]  # fmt: skip
    return tuple((one.plan, one.state) for one in found)


STARTS = starts()


def test_the_starts_of_the_hostile_courses_cover_every_alarm() -> None:
    standing = {kind for _, state in STARTS for kind in KINDS if state.alarm(kind).active}
    assert standing == set(KINDS)
    assert {state.condition.reference.phase for _, state in STARTS} == set(Phase)


def assert_whole(one: Filter) -> None:
    """No NaN, no infinity, no negative flow or time in what is said; the state can be saved."""
    for said in (*one.seen, *one.events):
        for value in msgspec.structs.astuple(said):
            assert not isinstance(value, float) or math.isfinite(value), said
    for seen in one.seen:
        for value in (
            seen.dt_s, seen.unknown_s, seen.flow_m3_per_s, seen.steady_m3_per_s,
            seen.running_m3_per_s, seen.clean_m3_per_s,
        ):  # fmt: skip
            assert value is None or value >= 0.0, seen
        assert (seen.flow_m3_per_s or 0.0) <= SENSOR.max_flow_m3_per_s
        assert not seen.fresh or seen.flow_m3_per_s is not None
    assert written_and_read(one.state) == one.state


short_hostile_courses = st.lists(
    st.tuples(st.sampled_from(HOSTILE), st.sampled_from(LEAPS)), max_size=6
)


@given(start=st.sampled_from(STARTS), course=short_hostile_courses)
@settings(max_examples=10_000, deadline=None)
def test_ten_thousand_hostile_courses_neither_raise_nor_lead_to_nan(
    start: tuple[WatchPlan, WatchState], course: list[tuple[Reading, float]]
) -> None:
    one = Filter(*start)
    for reading, leap in course:
        one.step(reading, after_s=leap)
    assert_whole(one)


any_quality = st.sampled_from([Quality.GOOD, Quality.GOOD, *Quality])
any_span = st.floats() | st.sampled_from(SPANS)
any_reading = (
    st.builds(PulseReading, st.just("left"), any_span, st.integers(-(10**9), 10**9), any_quality)
    | st.builds(FlowReading, st.just("left"), any_span, st.none() | st.floats(), any_quality)
    | st.builds(
        TemperatureReading,
        st.just("left"),
        st.none() | st.floats(allow_nan=False, allow_infinity=False),
        any_quality,
    )
)


@given(
    start=st.sampled_from(STARTS),
    course=st.lists(
        st.tuples(st.lists(any_reading, max_size=4), st.floats(-YEAR_S, YEAR_S)), max_size=30
    ),
)
@settings(max_examples=150, deadline=None)
def test_long_courses_of_any_readings_neither_raise_nor_lead_to_nan(
    start: tuple[WatchPlan, WatchState], course: list[tuple[list[Reading], float]]
) -> None:
    one = Filter(*start)
    for readings, leap in course:
        one.step(*readings, after_s=leap)
    assert_whole(one)
    one.restarted(1.0)
    one.cleaned()
    one.undone()
    assert_whole(one)
