"""An alarm's life with people in it: acknowledging, shelving, repeating, escalating; restarts too.

A stateful machine plays any order of what a filter, its keeper and the power can do, and looks after
each step that nothing is silent without an end, that nothing cannot be cleared, and that no alarm is
raised twice.
"""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from monitor.alarms import acts, watch
from monitor.alarms.acts import LONGEST_QUIET_MIN
from monitor.alarms.life import Announcing, QuietKind
from monitor.alarms.pause import PauseKind
from monitor.alarms.priority import PRIORITIES
from monitor.alarms.rules import Limits
from monitor.alarms.watch import KINDS, WatchPlan, WatchState
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning
from monitor.records import (
    AlarmKind,
    AlarmState,
    Event,
    EventKind,
    FlowReading,
    Moment,
    Priority,
    Reading,
    TemperatureReading,
)

CLEAN = 2e-4
STOPPED, DUE = AlarmKind.FLOW_STOPPED, AlarmKind.CLEANING_DUE
SHELVED, OUT = QuietKind.SHELVED, QuietKind.OUT_OF_SERVICE
PLAN = WatchPlan(
    ConditionPlan("left", Sensor(450e3, 5e-4), Learning(0.0, 60.0, 0.06)),
    Limits(temperature_max_c=28.0, has_probe=True, cleaning_due_hold_s=60.0),
)
HOUR = 3600.0


class Filter:
    """A filter, its clock and what has been said."""

    def __init__(self, plan: WatchPlan = PLAN) -> None:
        self.plan, self.state, self.now_s = plan, WatchState(), 0.0
        self.events: list[Event] = []
        self.utc_off_s = 0.0
        self.run(1.0, 120.0)
        self.events.clear()

    def now(self) -> Moment:
        return Moment(self.now_s, 1.7e9 + self.now_s + self.utc_off_s)

    def run(self, share: float | None, seconds: float, every_s: float = 1.0, celsius: float = 25.0) -> Filter:  # fmt: skip
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            self.now_s += every_s
            readings: list[Reading] = [TemperatureReading("left", celsius)]
            if share is not None:
                readings.append(FlowReading("left", every_s, share * CLEAN))
            self.state, _, events = watch.step(self.state, self.plan, readings, self.now())
            self.events += [e for e in events if e.event is not EventKind.OBSERVED]
        return self

    def told(self, kind: AlarmKind = STOPPED) -> list[tuple[EventKind, bool]]:
        found = [(e.event, e.announce) for e in self.events if e.alarm is kind]
        self.events.clear()
        return found

    def acknowledge(self, occurrence: int = 0) -> Filter:
        self.state, events = acts.acknowledge(
            self.state, self.plan, KINDS, self.now(), "Ada", occurrence
        )
        self.events += events
        return self

    def shelve(self, minutes: float, kind: QuietKind = SHELVED, alarm: AlarmKind = STOPPED) -> Filter:  # fmt: skip
        self.state, events = acts.shelve(
            self.state, self.plan, [alarm], kind, minutes, self.now(), "Ada"
        )
        self.events += events
        return self

    def stands(self, kind: AlarmKind = STOPPED) -> AlarmState:
        return watch_state(self.state, kind)


def watch_state(state: WatchState, kind: AlarmKind) -> AlarmState:
    from monitor.alarms.life import state_of

    return state_of(state.alarm(kind), state.suppressed(kind))


def test_it_is_said_again_ever_more_seldom_and_goes_to_the_second_channel_once() -> None:
    """Escalated after 15 min; repeated 1 h after the first word, then 2, 4, 8 and 16 h later."""
    one = Filter().run(0.0, 32 * HOUR, 10.0)
    heard = [
        (e.event, round((e.line_s - 120.0) / HOUR, 2)) for e in one.events if e.alarm is STOPPED
    ]
    assert [h for h in heard if h[0] is not EventKind.UPDATED] == [
        (EventKind.RAISED, 0.0),
        (EventKind.ESCALATED, 0.25),
        (EventKind.REPEATED, 1.0),
        (EventKind.REPEATED, 3.0),
        (EventKind.REPEATED, 7.0),
        (EventKind.REPEATED, 15.0),
        (EventKind.REPEATED, 31.0),
    ]  # fmt: skip


def test_an_alarm_of_low_priority_is_said_once_a_day_and_never_escalated() -> None:
    one = Filter().run(0.7, 50 * HOUR, 60.0)
    assert [e.event for e in one.events if e.alarm is DUE] == [
        EventKind.RAISED, EventKind.REPEATED, EventKind.REPEATED,
    ]  # fmt: skip


def test_acknowledged_it_is_silent_for_half_a_day_and_then_said_again() -> None:
    one = Filter().run(0.0, 60.0).acknowledge()
    assert one.stands() is AlarmState.ACKNOWLEDGED
    one.told()
    assert one.run(0.0, 11.9 * HOUR, 10.0).told() == []
    assert one.run(0.0, 0.2 * HOUR, 10.0).told() == [(EventKind.REPEATED, True)]
    assert one.stands() is AlarmState.UNACKNOWLEDGED


def test_over_before_it_was_acknowledged_it_waits_for_that() -> None:
    one = Filter().run(0.0, 60.0).run(1.0, 60.0)
    assert one.stands() is AlarmState.RETURNED
    assert one.acknowledge().stands() is AlarmState.NORMAL
    assert [e.by for e in one.events if e.event is EventKind.ACKNOWLEDGED] == ["Ada"]


def test_an_acknowledgement_of_an_earlier_time_is_not_of_this_one() -> None:
    one = Filter().run(0.0, 60.0).run(1.0, 60.0).run(0.0, 60.0)
    assert one.state.alarm(STOPPED).occurrence == 2
    one.told()
    assert one.acknowledge(occurrence=1).told() == []
    assert one.stands() is AlarmState.UNACKNOWLEDGED
    assert one.acknowledge(occurrence=2).stands() is AlarmState.ACKNOWLEDGED


def test_latched_it_stands_until_acknowledged() -> None:
    one = Filter(msgspec.structs.replace(PLAN, latching=frozenset({STOPPED})))
    one.run(0.0, 60.0).run(1.0, 2 * HOUR, 10.0)
    assert one.stands() is AlarmState.LATCHED
    assert EventKind.CLEARED not in [event for event, _ in one.told()]
    one.acknowledge().run(1.0, 2.0)
    assert one.stands() is AlarmState.NORMAL
    assert one.told() == [(EventKind.ACKNOWLEDGED, False), (EventKind.CLEARED, True)]


def test_shelved_it_is_on_record_and_nobody_is_told_until_the_end() -> None:
    one = Filter().shelve(30.0)
    assert one.stands() is AlarmState.SHELVED
    one.run(0.0, 1799.0)
    assert one.told() == [(EventKind.SHELVED, True), (EventKind.RAISED, False)]
    assert one.run(0.0, 60.0).told() == [(EventKind.UNSHELVED, True)]
    assert one.stands() is AlarmState.UNACKNOWLEDGED


def test_every_word_of_an_alarm_says_since_when_and_until_when() -> None:
    one = Filter().run(0.0, 60.0)
    raised_utc_s = next(e.utc_s for e in one.events if e.event is EventKind.RAISED)
    one.utc_off_s = -30 * 86400.0  # the clock is set back: since when is told by the clock of now
    one.acknowledge().shelve(30.0)
    told = one.events[-2:]
    assert [e.since_utc_s for e in told] == [pytest.approx(raised_utc_s + one.utc_off_s)] * 2
    assert told[0].until_utc_s is None
    assert told[1].until_utc_s == pytest.approx(one.now().utc_s + 1800.0)


def test_shelved_while_it_stands_and_over_by_the_end_nothing_is_said() -> None:
    one = Filter().run(0.0, 60.0).shelve(30.0).run(1.0, 60.0)
    one.told()
    assert one.run(1.0, 1800.0).told() == [(EventKind.UNSHELVED, False)]


def test_unshelved_before_its_time_what_stands_is_said_at_the_next_look() -> None:
    one = Filter().shelve(600.0).run(0.0, 60.0)
    one.told()
    one.state, events = acts.unshelve(one.state, PLAN, KINDS, one.now(), "Ada")
    assert [e.event for e in events] == [EventKind.UNSHELVED]
    assert one.run(0.0, 1.0).told() == [(EventKind.REPEATED, True)]


@pytest.mark.parametrize("kind", list(QuietKind))
def test_no_quiet_is_longer_than_allowed(kind: QuietKind) -> None:
    one = Filter().shelve(1e9, kind)
    quiet = one.state.alarm(STOPPED).quiet
    assert quiet is not None
    assert quiet.until_s == one.now_s + 60.0 * LONGEST_QUIET_MIN[kind]


def test_what_comes_and_goes_is_said_three_times_and_then_only_what_stands() -> None:
    one = Filter()
    for _ in range(8):
        one.run(0.0, 30.0).run(1.0, 90.0)
    raised = [announce for event, announce in one.told() if event is EventKind.RAISED]
    assert raised == [True, True, True, False, False, False, False, False]
    stood = one.run(0.0, 700.0).told()
    assert stood[0] == (EventKind.RAISED, False)
    assert (EventKind.REPEATED, True) in stood, "after ten minutes it is no flutter"


def test_a_stop_hides_what_flow_would_say_of_the_media_and_no_longer_than_it_lasts() -> None:
    one = Filter().run(0.4, 3 * HOUR, 10.0)
    assert one.stands(AlarmKind.FLOW_LOW) is AlarmState.UNACKNOWLEDGED
    one.run(0.0, 60.0)
    assert one.stands(AlarmKind.FLOW_LOW) is AlarmState.SUPPRESSED
    one.run(0.4, 120.0)
    assert one.stands(AlarmKind.FLOW_LOW) is AlarmState.UNACKNOWLEDGED


def test_a_stop_days_later_escalates_like_the_first() -> None:
    one = Filter().run(0.0, 1800.0, 10.0).run(1.0, 5 * 86400.0, 300.0)
    one.told()
    heard = [event for event, _ in one.run(0.0, 2 * HOUR, 10.0).told()]
    assert heard.count(EventKind.ESCALATED) == 1
    short = Filter().run(0.0, 60.0).run(1.0, 5 * 86400.0, 300.0)
    short.told()
    assert EventKind.ESCALATED not in [e for e, _ in short.run(0.0, 600.0, 10.0).told()]


def test_a_latched_stop_blinds_nothing_and_comes_back_as_news() -> None:
    one = Filter(msgspec.structs.replace(PLAN, latching=frozenset({STOPPED})))
    one.run(0.0, 60.0).run(1.0, 120.0)
    assert one.stands() is AlarmState.LATCHED
    one.run(1.0, 120.0, celsius=33.0)
    assert one.stands(AlarmKind.TEMPERATURE_HIGH) is AlarmState.UNACKNOWLEDGED
    one.run(0.4, 200.0)
    assert one.stands(AlarmKind.FLOW_LOW) is AlarmState.UNACKNOWLEDGED
    one.run(1.0, 120.0).told()
    assert (EventKind.REPEATED, True) in one.run(0.0, 60.0).told()
    assert one.stands() is AlarmState.UNACKNOWLEDGED


def test_what_is_over_is_told_by_how_long_it_lasted_not_by_when_it_was_acknowledged() -> None:
    one = Filter(msgspec.structs.replace(PLAN, latching=frozenset({STOPPED})))
    one.run(0.0, 60.0).run(1.0, 10 * HOUR, 10.0).acknowledge().run(1.0, 2.0)
    cleared = next(e for e in one.events if e.event is EventKind.CLEARED)
    assert "short stop" in cleared.advice
    late = Filter().run(0.0, 60.0).run(1.0, 10 * HOUR, 10.0).acknowledge()
    assert late.events[-1].event is EventKind.ACKNOWLEDGED
    assert (late.events[-1].advice, late.events[-1].consequence) == ("", "")


def test_a_hose_that_comes_off_in_a_pause_is_said() -> None:
    one = Filter()
    one.state, _ = acts.paused(one.state, PLAN, PauseKind.MAINTENANCE, 480, one.now())
    assert (EventKind.RAISED, True) in one.run(1.6, 600.0).told(AlarmKind.FLOW_HIGH)


def test_a_limit_that_was_taken_away_ends_its_alarm() -> None:
    one = Filter().run(1.0, 120.0, celsius=33.0)
    assert one.stands(AlarmKind.TEMPERATURE_HIGH) is AlarmState.UNACKNOWLEDGED
    one.plan = msgspec.structs.replace(PLAN, limits=Limits())
    assert (
        one.run(1.0, 120.0, celsius=33.0).stands(AlarmKind.TEMPERATURE_HIGH) is AlarmState.RETURNED
    )


def test_every_kind_has_a_priority() -> None:
    assert set(PRIORITIES) == set(AlarmKind)
    assert PRIORITIES[STOPPED] is Priority.HIGH


class Life(RuleBasedStateMachine):
    """Anything that can happen to a filter, in any order."""

    def __init__(self) -> None:
        super().__init__()
        self.one = Filter()
        self.seen = 0
        self.active: set[AlarmKind] = set()
        self.heard_s: dict[AlarmKind, float] = {}

    def _look(self) -> None:
        for event in self.one.events[self.seen :]:
            kind = event.alarm
            if kind is None:
                continue
            if event.event is EventKind.RAISED:
                assert kind not in self.active, "two of the same"
                self.active.add(kind)
            elif event.event is EventKind.CLEARED:
                assert kind in self.active, "cleared without being raised"
                self.active.remove(kind)
            if event.announce or event.event in (EventKind.RAISED, EventKind.ACKNOWLEDGED):
                self.heard_s[kind] = event.line_s
        self.seen = len(self.one.events)

    @rule(share=st.sampled_from([1.0, 0.9, 0.7, 0.4, 0.1, 0.0, 1.4]), minutes=st.integers(1, 90))
    def flows(self, share: float, minutes: int) -> None:
        self.one.run(share, 60.0 * minutes, 15.0)

    @rule(minutes=st.integers(1, 60))
    def says_nothing(self, minutes: int) -> None:
        self.one.run(None, 60.0 * minutes, 15.0)

    @rule(celsius=st.sampled_from([25.0, 30.0]), minutes=st.integers(1, 30))
    def warms(self, celsius: float, minutes: int) -> None:
        self.one.run(1.0, 60.0 * minutes, 15.0, celsius)

    @rule(days=st.integers(1, 3), share=st.sampled_from([1.0, 0.0, 0.4]))
    def days_pass(self, days: int, share: float) -> None:
        self.one.run(share, 86400.0 * days, 300.0)

    @rule()
    def acknowledge(self) -> None:
        self.one.acknowledge()

    @rule(kind=st.sampled_from(KINDS), quiet=st.sampled_from(list(QuietKind)), minutes=st.integers(1, 3000))  # fmt: skip
    def shelve(self, kind: AlarmKind, quiet: QuietKind, minutes: int) -> None:
        self.one.shelve(minutes, quiet, kind)

    @rule()
    def unshelve(self) -> None:
        self.one.state, events = acts.unshelve(self.one.state, PLAN, KINDS, self.one.now())
        self.one.events += events

    @rule(kind=st.sampled_from(list(PauseKind)), minutes=st.integers(1, 480))
    def pause(self, kind: PauseKind, minutes: int) -> None:
        self.one.state, events = acts.paused(self.one.state, PLAN, kind, minutes, self.one.now())
        self.one.events += events

    @rule()
    def clean(self) -> None:
        self.one.state, events = acts.cleaned(self.one.state, PLAN, self.one.now())
        self.one.events += events

    @rule(away_s=st.floats(0.0, 86400.0))
    def restart(self, away_s: float) -> None:
        saved = msgspec.json.encode(self.one.state)
        self.one.now_s += away_s
        self.heard_s = {kind: at_s + away_s for kind, at_s in self.heard_s.items()}
        state = msgspec.json.decode(saved, type=WatchState)
        self.one.state = watch.resumed(state, PLAN, self.one.now())

    @rule(step_s=st.sampled_from([-HOUR, -30 * 86400.0, 30 * 86400.0, 365 * 86400.0]))
    def clock_steps(self, step_s: float) -> None:
        self.one.utc_off_s += step_s

    @invariant()
    def nothing_is_silent_without_an_end(self) -> None:
        self._look()
        how, now_s = Announcing(), self.one.now_s
        for kind in KINDS:
            alarm = self.one.state.alarm(kind)
            assert alarm.active is (kind in self.active)
            if alarm.quiet is not None:
                longest = 60.0 * LONGEST_QUIET_MIN[alarm.quiet.kind]
                assert alarm.quiet.until_s <= now_s + longest
            hushed = alarm.quiet is not None or self.one.state.suppressed(kind)
            if not alarm.active or hushed:
                self.heard_s[kind] = now_s  # silent, and for a reason that ends
                continue
            low = PRIORITIES[kind] is Priority.LOW
            held = how.low_acknowledged_for_s if low else how.acknowledged_for_s
            longest = max(how.repeat_at_most_s, held) + 600.0
            assert now_s - self.heard_s.get(kind, 0.0) <= longest, f"{kind} went silent"

    @invariant()
    def a_pause_ends(self) -> None:
        pause = self.one.state.pause
        assert pause is None or pause.until_s <= self.one.now_s + 480 * 60.0

    @precondition(lambda self: self.seen > 0)
    @rule()
    def all_can_be_cleared(self) -> None:
        """Clean water, an acknowledgement and time: then every alarm is normal."""
        acted = acts.unshelve(self.one.state, PLAN, KINDS, self.one.now())
        self.one.state, events = acts.pause_ended(acted[0], PLAN, self.one.now())
        self.one.events += (*acted[1], *events)
        self.one.run(1.0, 3 * HOUR, 15.0).acknowledge().run(1.0, 60.0, 15.0)
        # Whatever was learned as clean flow since, it is clean flow now.
        high = {AlarmKind.FLOW_HIGH, AlarmKind.CLEANING_DUE, AlarmKind.FLOW_LOW}
        for kind in set(KINDS) - high:
            assert self.one.stands(kind) is AlarmState.NORMAL, kind


Life.TestCase.settings = settings(
    max_examples=150, stateful_step_count=30, deadline=None, phases=(Phase.explicit, Phase.generate)
)
TestLife = Life.TestCase
