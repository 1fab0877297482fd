"""Alarms of the site: the power that explains the stops, tests, what people do to them."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from monitor.alarms import site, watch
from monitor.alarms.life import Alarm, Announcing, Quiet, QuietKind
from monitor.alarms.priority import PRIORITIES
from monitor.alarms.rules import Limits
from monitor.alarms.site import SITE_KINDS, Fact, SiteState
from monitor.alarms.watch import KINDS, WatchPlan
from monitor.app.station import Station
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning
from monitor.records import AlarmKind, AlarmState, Event, EventKind, FlowReading, Moment, Order

CLEAN = 2e-4
WET = {AlarmKind.LEAK: Fact(True, False, "the contact is wet")}
DRY = {AlarmKind.LEAK: Fact(False, True, "")}


def at(line_s: float) -> Moment:
    return Moment(line_s, 1.7e9 + line_s)


def plan(name: str) -> WatchPlan:
    return WatchPlan(ConditionPlan(name, Sensor(450e3, 5e-4), Learning(0.0, 60.0, 0.06)), Limits())


class House:
    """Three filters on one outlet."""

    def __init__(self, names: tuple[str, ...] = ("left", "middle", "right")) -> None:
        self.station = Station({name: plan(name) for name in names})
        self.now_s = 0.0
        self.events: list[Event] = []
        self.run(120, **dict.fromkeys(names, 1.0))
        self.events.clear()

    def run(self, seconds: int, **shares: float) -> House:
        for _ in range(seconds):
            self.now_s += 1.0
            readings = [FlowReading(n, 1.0, s * CLEAN) for n, s in shares.items()]
            happened = self.station.tick(readings, at(self.now_s))
            self.events += [e for e in happened if e.event is not EventKind.OBSERVED]
        return self

    def announced(self) -> list[tuple[str, AlarmKind | None, EventKind]]:
        found = [(e.filter_id, e.alarm, e.event) for e in self.events if e.announce]
        self.events.clear()
        return found


def test_all_pumps_at_once_are_the_power_and_said_once() -> None:
    house = House().run(60, left=0.0, middle=0.0, right=0.0)
    assert house.announced() == [("", AlarmKind.POWER_GONE, EventKind.RAISED)]
    for state in house.station.states.values():
        assert state.alarm(AlarmKind.FLOW_STOPPED).active, "each stop is on record"
        assert state.suppressed(AlarmKind.FLOW_STOPPED)


def test_pumps_that_stop_within_the_minute_are_the_power_too() -> None:
    house = (
        House().run(20, left=0.0, middle=1.0, right=1.0).run(60, left=0.0, middle=0.0, right=0.0)
    )
    told = house.announced()
    assert told[0] == ("left", AlarmKind.FLOW_STOPPED, EventKind.RAISED)
    assert told[1:] == [("", AlarmKind.POWER_GONE, EventKind.RAISED)]


def test_one_that_does_not_come_back_with_the_power_is_said() -> None:
    house = House().run(60, left=0.0, middle=0.0, right=0.0)
    house.announced()
    told = house.run(60, left=0.0, middle=1.0, right=1.0).announced()
    assert ("", AlarmKind.POWER_GONE, EventKind.CLEARED) in told
    assert ("left", AlarmKind.FLOW_STOPPED, EventKind.REPEATED) in told
    assert not house.station.states["left"].suppressed(AlarmKind.FLOW_STOPPED)


def test_an_acknowledged_power_cut_does_not_hide_the_pump_that_stays_stuck() -> None:
    house = House().run(60, left=0.0, middle=0.0, right=0.0)
    house.station.obey(Order("acknowledge", "", by="Ada"), at(house.now_s))
    house.events.clear()
    told = house.run(60, left=1.0, middle=1.0, right=0.0).announced()
    assert ("right", AlarmKind.FLOW_STOPPED, EventKind.REPEATED) in told


def test_a_shelved_power_cut_swallows_no_stop() -> None:
    house = House()
    house.station.obey(Order("shelve", "", 600.0, "power-gone"), at(house.now_s))
    told = house.run(60, left=0.0, middle=0.0, right=0.0).announced()
    assert [t[0] for t in told if t[1] is AlarmKind.FLOW_STOPPED] == ["left", "middle", "right"]


def test_a_house_that_shrank_to_one_filter_is_rid_of_the_power_alarm() -> None:
    house = House().run(60, left=0.0, middle=0.0, right=0.0)
    again = Station({"left": plan("left")})
    again.restore(house.station.saved(), at(house.now_s))
    house.station = again
    house.events.clear()
    house.run(60, left=0.0)
    assert not again.site.alarm(AlarmKind.POWER_GONE).active
    assert ("left", AlarmKind.FLOW_STOPPED, EventKind.REPEATED) in house.announced()


def test_a_filter_that_cannot_be_judged_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    house, whole = House(), watch.step

    def failing(state: Any, plan: Any, readings: Any, now: Any) -> Any:
        if plan.condition.filter_id == "left":
            raise ZeroDivisionError
        return whole(state, plan, readings, now)

    monkeypatch.setattr(watch, "step", failing)
    house.run(20, left=0.0, middle=1.0, right=1.0)
    assert ("", AlarmKind.READER_DEAD, EventKind.RAISED) in house.announced()
    assert not house.station.running()["left"]


def test_pumps_that_stop_minutes_apart_are_each_said() -> None:
    house = House().run(300, left=0.0, middle=1.0, right=1.0)
    house.run(300, left=0.0, middle=0.0, right=1.0).run(60, left=0.0, middle=0.0, right=0.0)
    told = [t for t in house.announced() if t[2] is EventKind.RAISED]
    assert [t[0] for t in told] == ["left", "middle", "right"]


def test_a_house_with_one_filter_cannot_tell_the_power_from_the_pump() -> None:
    house = House(("left",)).run(60, left=0.0)
    assert house.announced() == [("left", AlarmKind.FLOW_STOPPED, EventKind.RAISED)]


def test_a_leak_waits_for_nothing_and_ends_after_a_minute_of_dry() -> None:
    state, events = site.judge(SiteState(), WET, Announcing(), frozenset(), at(0.0))
    assert [(e.event, e.alarm, e.announce) for e in events] == [
        (EventKind.RAISED, AlarmKind.LEAK, True)
    ]
    assert "breaker" in events[0].advice
    assert events[0].evidence == "the contact is wet"
    state, events = site.judge(state, DRY, Announcing(), frozenset(), at(59.0))
    assert events == ()
    state, events = site.judge(state, DRY, Announcing(), frozenset(), at(61.0))
    assert [e.event for e in events] == [EventKind.CLEARED]
    assert site.state_of(state.alarm(AlarmKind.LEAK), False) is AlarmState.RETURNED


def test_what_is_not_known_changes_nothing() -> None:
    state, _ = site.judge(SiteState(), WET, Announcing(), frozenset(), at(0.0))
    for line_s in range(1, 500):
        state, events = site.judge(state, {}, Announcing(), frozenset(), at(float(line_s)))
        assert events == ()
    assert state.alarm(AlarmKind.LEAK).active


def test_a_latching_leak_stands_until_acknowledged() -> None:
    latching = frozenset({AlarmKind.LEAK})
    state, _ = site.judge(SiteState(), WET, Announcing(), latching, at(0.0))
    state, events = site.judge(state, DRY, Announcing(), latching, at(600.0))
    assert events == ()
    state, _ = site.acknowledge(state, SITE_KINDS, at(601.0), "Ada")
    state, events = site.judge(state, DRY, Announcing(), latching, at(602.0))
    assert [e.event for e in events] == [EventKind.CLEARED]


def test_a_test_alarm_ends_with_an_acknowledgement_or_by_itself() -> None:
    begun = site.begin_test(SiteState(), at(0.0))
    state, events = site.judge(begun, {}, Announcing(), frozenset(), at(1.0))
    assert [e.alarm for e in events] == [AlarmKind.TEST]
    seen, events = site.acknowledge(state, SITE_KINDS, at(5.0), "Ada")
    assert [(e.event, e.by) for e in events] == [(EventKind.ACKNOWLEDGED, "Ada")]
    _, events = site.judge(seen, {}, Announcing(), frozenset(), at(6.0))
    assert [e.event for e in events] == [EventKind.CLEARED]
    _, events = site.judge(state, {}, Announcing(), frozenset(), at(601.0))
    assert [e.event for e in events] == [EventKind.CLEARED]


def test_shelved_a_leak_is_said_when_the_shelving_is_over() -> None:
    quiet = Quiet(QuietKind.SHELVED, 600.0)
    state, events = site.hush(SiteState(), [AlarmKind.LEAK], quiet, at(0.0), "Ada")
    assert [e.event for e in events] == [EventKind.SHELVED]
    state, events = site.judge(state, WET, Announcing(), frozenset(), at(1.0))
    assert [(e.event, e.announce) for e in events] == [(EventKind.RAISED, False)]
    _, events = site.judge(state, WET, Announcing(), frozenset(), at(600.0))
    assert [(e.event, e.announce) for e in events] == [(EventKind.UNSHELVED, True)]


def test_a_restart_forgets_nothing_and_repeats_nothing() -> None:
    house = House().run(60, left=0.0, middle=0.0, right=0.0)
    saved = house.station.saved()
    again = Station({name: plan(name) for name in house.station.plans})
    assert again.restore(saved, at(house.now_s + 5.0)) == []
    house.station = again
    house.events.clear()
    house.now_s += 5.0
    house.run(60, left=0.0, middle=0.0, right=0.0)
    assert house.announced() == []
    assert again.site.alarm(AlarmKind.POWER_GONE).active


def test_a_state_saved_before_a_kind_was_known_gets_it() -> None:
    old = SiteState(alarms=SiteState().alarms[:5], evidence=("",) * 5)
    new = site.resumed(msgspec.json.decode(msgspec.json.encode(old), type=SiteState))
    assert len(new.alarms) == len(new.evidence) == len(SITE_KINDS)


@pytest.mark.parametrize("kind", SITE_KINDS)
def test_every_kind_of_the_site_has_advice_and_what_follows(kind: AlarmKind) -> None:
    event = site.event_of(EventKind.RAISED, kind, Alarm(active=True), "seen", at(0.0), True)
    assert event.advice.endswith(".")
    assert event.consequence.endswith(".")
    assert kind not in KINDS
    assert kind in PRIORITIES


def test_people_of_the_site_reach_all_alarms_with_one_order() -> None:
    house = House().run(60, left=0.0, middle=1.0, right=1.0)
    events, answer = house.station.obey(Order("acknowledge", "", by="Ada"), at(house.now_s))
    assert answer == "done: left flow-stopped acknowledged"
    assert [(e.filter_id, e.by) for e in events] == [("left", "Ada")]
    assert house.station.obey(Order("acknowledge", ""), at(house.now_s))[1].startswith("refused")
