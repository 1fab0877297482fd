"""The daily word: all is well, or what is not."""

from __future__ import annotations

from monitor.alarms.rules import Limits
from monitor.app.daily import daily
from monitor.app.replay import unknown_filter
from monitor.app.station import Station
from monitor.records import EventKind, FlowReading, Moment, TemperatureReading

FLOW = 2e-4  # 720 L/h


def lived(share: float) -> tuple[Station, Moment]:
    station = Station({"left": unknown_filter("left", 450, 1500, Limits())})
    now = Moment(0.0, 1.7e9)
    for second in range(3 * 3600):
        now = Moment(float(second), 1.7e9 + second)
        flow = FLOW if second < 10_000 else share * FLOW
        station.tick([FlowReading("left", 1.0, flow), TemperatureReading("left", 24.94)], now)
    return station, now


def test_all_is_well_with_the_figures_that_matter() -> None:
    event = daily(*lived(1.0), False)
    assert event.event is EventKind.DAILY
    assert event.announce
    assert event.filter_id == ""
    assert event.evidence.startswith("All is well. left: Running at 100% of clean")
    assert "Water 24.9 °C." in event.evidence


def test_what_needs_a_look_is_said_first() -> None:
    event = daily(*lived(0.0), False)
    assert event.evidence.startswith("Needs a look: left flow stopped. left: Flow has stopped.")


def test_what_is_due_by_date_is_said_with_it() -> None:
    event = daily(*lived(1.0), False, ["left: a new UV lamp, due 2026-03-08 (today)"])
    assert event.evidence.startswith("All is well.")
    assert event.evidence.endswith("Reminder: left: a new UV lamp, due 2026-03-08 (today).")
