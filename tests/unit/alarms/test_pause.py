"""Pauses: nobody is woken, nothing is silenced without an end, and temperature still wakes."""

from __future__ import annotations

import pytest

from monitor.alarms import acts, watch
from monitor.alarms.pause import LONGEST_MIN, PauseKind
from monitor.alarms.rules import Limits
from monitor.alarms.watch import WatchPlan, WatchState
from monitor.condition.consequence import Stock
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning
from monitor.records import (
    AlarmKind,
    Cause,
    Event,
    EventKind,
    FlowReading,
    Moment,
    TemperatureReading,
)

CLEAN = 2e-4
PLAN = WatchPlan(
    ConditionPlan("left", Sensor(450e3, 5e-4), Learning(0.0, 60.0, 0.06)),
    Limits(temperature_max_c=28.0, has_probe=True),
    Stock(),
)


class Filter:
    def __init__(self) -> None:
        self.state, self.now_s, self.events = WatchState(), 0.0, list[Event]()
        self.run(1.0, 120)
        self.events.clear()

    def run(self, share: float, seconds: int, celsius: float = 25.0) -> Filter:
        for _ in range(seconds):
            self.now_s += 1.0
            readings = (
                FlowReading("left", 1.0, share * CLEAN),
                TemperatureReading("left", celsius),
            )
            now = Moment(self.now_s, self.now_s)
            self.state, _, events = watch.step(self.state, PLAN, readings, now)
            self.events += [e for e in events if e.event is not EventKind.OBSERVED]
        return self

    def pause(self, kind: PauseKind, minutes: float) -> Filter:
        now = Moment(self.now_s, self.now_s)
        self.state, events = acts.paused(self.state, PLAN, kind, minutes, now)
        self.events += events
        return self

    def told(self) -> list[tuple[EventKind, AlarmKind | None]]:
        return [(e.event, e.alarm) for e in self.events]


STOP = (EventKind.RAISED, AlarmKind.FLOW_STOPPED)


def test_a_stop_within_a_pause_wakes_nobody() -> None:
    one = Filter().pause(PauseKind.FEEDING, 10).run(0.0, 500).run(1.0, 200)
    assert one.told() == [(EventKind.PAUSED, None), (EventKind.PAUSE_ENDED, None)]


def test_a_stop_that_outlasts_the_pause_is_raised_after_it() -> None:
    one = Filter().pause(PauseKind.FEEDING, 10).run(0.0, 700)
    assert one.told() == [(EventKind.PAUSED, None), (EventKind.PAUSE_ENDED, None), STOP]
    raised = one.events[-1]
    assert raised.line_s == pytest.approx(120 + 600 + 9, abs=1.0), "the hold begins when it is over"


@pytest.mark.parametrize("kind", list(PauseKind))
def test_no_pause_lasts_longer_than_allowed(kind: PauseKind) -> None:
    one = Filter().pause(kind, 1e9)
    assert one.state.pause is not None
    assert one.state.pause.until_s - one.now_s <= LONGEST_MIN[kind] * 60


def test_a_temperature_out_of_its_band_wakes_within_a_pause() -> None:
    one = Filter().pause(PauseKind.MAINTENANCE, 60).run(1.0, 120, 31.0)
    assert (EventKind.RAISED, AlarmKind.TEMPERATURE_HIGH) in one.told()


def test_an_alarm_that_stood_before_the_pause_is_still_cleared() -> None:
    one = Filter().run(0.0, 30).pause(PauseKind.MAINTENANCE, 60).run(1.0, 60)
    assert one.told() == [
        STOP,
        (EventKind.PAUSED, None),
        (EventKind.CLEARED, AlarmKind.FLOW_STOPPED),
    ]


def test_ended_by_hand() -> None:
    one = Filter().pause(PauseKind.FEEDING, 30)
    now = Moment(one.now_s, one.now_s)
    one.state, events = acts.pause_ended(one.state, PLAN, now)
    assert [e.event for e in events] == [EventKind.PAUSE_ENDED]
    assert acts.pause_ended(one.state, PLAN, now)[1] == ()
    assert one.run(0.0, 30).told()[-1] == STOP


def test_a_cooling_outlet_decides_for_the_pump() -> None:
    one = Filter().run(0.0, 300)
    for minute in range(20):
        one.run(0.0, 60, 25.0 - 0.08 * minute)
    updated = [e for e in one.events if e.event is EventKind.UPDATED]
    assert len(updated) == 1
    assert updated[0].cause is Cause.PUMP_OR_POWER
    assert updated[0].sure == 0.9
    assert "cooled" in updated[0].evidence


def test_an_outlet_that_stays_warm_decides_for_a_jammed_rotor_once_cooling_is_known() -> None:
    one = Filter()
    for minute in range(30):  # a true stop: the outlet cools, and how fast is learned
        one.run(0.0, 60, 25.0 - 0.08 * minute)
    one.run(1.0, 600)
    one.events.clear()
    one.run(0.0, 2000)
    updated = [e for e in one.events if e.event is EventKind.UPDATED]
    assert [e.cause for e in updated] == [Cause.SENSOR_JAMMED]
    assert "jammed" in updated[0].evidence


def test_without_an_earlier_stop_a_warm_outlet_decides_nothing() -> None:
    one = Filter().run(0.0, 4000)
    assert [e for e in one.events if e.event is EventKind.UPDATED] == []


def test_flow_far_above_clean_is_a_hose_off() -> None:
    one = Filter().run(1.6, 400)
    assert one.events[0].alarm is AlarmKind.FLOW_HIGH
    assert one.events[0].cause is Cause.HOSE_OFF


def test_a_silent_probe_is_told() -> None:
    one = Filter()
    for _ in range(400):
        one.now_s += 1.0
        readings = (FlowReading("left", 1.0, CLEAN),)
        now = Moment(one.now_s, one.now_s)
        one.state, _, events = watch.step(one.state, PLAN, readings, now)
        one.events += events
    assert (EventKind.RAISED, AlarmKind.TEMPERATURE_UNKNOWN) in one.told()
