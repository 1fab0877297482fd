"""Filters of a site beside one another: orders, and a fault in one of them."""

from __future__ import annotations

import msgspec
import pytest

from monitor.alarms import watch
from monitor.alarms.rules import Limits
from monitor.alarms.watch import WatchPlan
from monitor.app.station import Station
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning
from monitor.records import AlarmKind, EventKind, FlowReading, Moment, Order, TemperatureReading

FLOW = 1.6e-4  # some 580 L/h, invented


def plan(name: str) -> WatchPlan:
    return WatchPlan(ConditionPlan(name, Sensor(450e3, 5e-4), Learning(0.0, 60.0, 0.06)))


@pytest.fixture
def station() -> Station:
    return Station({name: plan(name) for name in ("left", "right")})


def run(station: Station, flow: float, first_s: int, last_s: int) -> list[tuple[str, EventKind]]:
    told = []
    for second in range(first_s, last_s):
        readings = [FlowReading(name, 1.0, flow) for name in station.plans]
        events = station.tick(readings, Moment(float(second), 1.7e9 + second))
        told += [(e.filter_id, e.event) for e in events if e.alarm is AlarmKind.FLOW_STOPPED]
    return told


def test_a_fault_in_judging_one_filter_leaves_the_others_watched(
    station: Station, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    run(station, FLOW, 0, 600)
    whole = watch.step

    def broken(state, one, readings, now):  # type: ignore[no-untyped-def]
        if one.condition.filter_id == "left":
            raise ZeroDivisionError
        return whole(state, one, readings, now)

    monkeypatch.setattr(watch, "step", broken)
    assert run(station, 0.0, 600, 700) == [("right", EventKind.RAISED)]
    assert caplog.text.count("judging left failed; the other filters go on") == 1
    monkeypatch.setattr(watch, "step", whole)
    assert run(station, 0.0, 700, 800) == [("left", EventKind.RAISED)]


def test_another_filter_is_a_new_beginning_that_clears_what_stood(station: Station) -> None:
    run(station, FLOW, 0, 600)
    run(station, 0.0, 600, 700)
    _, answer = station.obey(Order("renewed", "left"), Moment(700.0, 1.7e9 + 700))
    assert answer.startswith("done: it is another filter now")
    assert run(station, 0.4 * FLOW, 700, 760) == [("right", EventKind.CLEARED)]


def test_a_filter_that_never_ran_is_told_after_ten_minutes_without_water(
    station: Station,
) -> None:
    assert run(station, 0.0, 0, 590) == []
    assert set(run(station, 0.0, 590, 620)) == {
        ("left", EventKind.RAISED),
        ("right", EventKind.RAISED),
    }


def test_another_filter_keeps_the_pause_and_the_heater_alarm_of_the_tank() -> None:
    warm = msgspec.structs.replace(
        plan("left"), limits=Limits(has_probe=True, temperature_max_c=28.0)
    )
    station = Station({"left": warm})
    for second in range(600):
        readings = [FlowReading("left", 1.0, FLOW), TemperatureReading("left", 30.0)]
        station.tick(readings, Moment(float(second), 1.7e9 + second))
    now = Moment(600.0, 1.7e9 + 600)
    station.obey(Order("maintenance", "left", 60.0), now)
    events, _ = station.obey(Order("renewed", "left"), now)
    assert [(e.event, e.alarm) for e in events] == [(EventKind.CLEANED, None)]
    state = station.states["left"]
    assert state.alarm(AlarmKind.TEMPERATURE_HIGH).active
    assert state.pause is not None


def test_an_alarm_that_another_filter_ends_does_not_say_that_water_moves(
    station: Station,
) -> None:
    run(station, FLOW, 0, 600)
    run(station, 0.0, 600, 8000)
    events, _ = station.obey(Order("renewed", "left"), Moment(8000.0, 1.7e9 + 8000))
    (cleared,) = [e for e in events if e.event is EventKind.CLEARED]
    assert (cleared.alarm, cleared.advice) == (AlarmKind.FLOW_STOPPED, "")
