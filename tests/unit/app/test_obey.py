"""Orders: what is refused changes nothing, and every answer is one sentence."""

from __future__ import annotations

import pytest

from monitor.alarms.rules import Limits
from monitor.app.obey import NAMES
from monitor.app.replay import unknown_filter
from monitor.app.station import Station
from monitor.records import AlarmKind, FlowReading, Moment, Order

NOW = Moment(1000.0, 1.7e9)


@pytest.fixture
def station() -> Station:
    found = Station({"left": unknown_filter("left", 450, 300, Limits())})
    for second in range(900):
        share = 0.0 if second > 840 else 1.0
        found.tick([FlowReading("left", 1.0, share * 2e-4)], Moment(float(second), 1.7e9))
    assert found.states["left"].alarm(AlarmKind.FLOW_STOPPED).active
    return found


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (Order("dance", "left"), "unknown order dance; known: cleaned"),
        (Order("cleaned", "middle"), "no filter middle; known: left"),
        (Order("cleaned", ""), "name the filter; known: left"),
        (Order("feeding", "left", 0.0), "a pause of 0 minutes"),
        (Order("feeding", "left", 61.0), "feeding may last up to 60"),
        (Order("maintenance", "left", float("nan")), "a pause of nan minutes"),
        (Order("resume", "left"), "there is no pause"),
        (Order("cleaned-undo", "left"), "no cleaning to take back"),
        (Order("acknowledge", "left", alarm="flow-up"), "no alarm flow-up; known: cleaning-due"),
        (Order("acknowledge", "left", alarm="leak"), "leak is of the site"),
        (Order("acknowledge", "left", alarm="flow-low"), "flow-low: nothing to acknowledge"),
        (Order("acknowledge", "left", alarm="flow-stopped", occurrence=7), "raised again since"),
        (Order("shelve", "left", 5.0), "silence for all of them is not on offer"),
        (Order("shelve", "left", 0.0, "flow-stopped"), "0 minutes; it may last up to 1440"),
        (Order("shelve", "left", 1441.0, "flow-stopped"), "it may last up to 1440"),
        (Order("out-of-service", "left", 43201.0, "flow-stopped"), "it may last up to 43200"),
        (Order("unshelve", "left", alarm="flow-stopped"), "flow-stopped is not shelved"),
        (Order("in-service", "left", alarm="flow-stopped"), "flow-stopped is not out of service"),
        (Order("unshelve", ""), "nothing to end"),
    ],
)
def test_a_refusal_says_why_and_changes_nothing(station: Station, order: Order, words: str) -> None:
    before = station.saved()
    events, answer = station.obey(order, NOW)
    assert answer.startswith("refused: ")
    assert words in answer
    assert events == []
    assert station.saved() == before


@pytest.mark.parametrize(
    ("order", "answer"),
    [
        (Order("acknowledge", "left"), "done: left flow-stopped acknowledged"),
        (Order("acknowledge", "", alarm="flow-stopped", occurrence=1), "done: left flow-stopped acknowledged"),
        (Order("shelve", "left", 60.0, "flow-stopped"), "done: left flow-stopped shelved"),
        (Order("shelve", "", 60.0, "leak"), "done: leak shelved"),
        (Order("out-of-service", "left", 60.0, "flow-low"), "done: left flow-low out of service"),
        (Order("feeding", "left", 10.0), "done: flow alarms wait for 10 min at the most"),
        (Order("cleaned", "left"), "done: clean flow is being learned anew"),
        (Order("test-alarm", ""), "done: the test alarm is raised within a second"),
    ],
)  # fmt: skip
def test_what_is_done_is_said(station: Station, order: Order, answer: str) -> None:
    assert station.obey(order, NOW)[1] == answer


def test_shelved_and_unshelved_again(station: Station) -> None:
    station.obey(Order("shelve", "left", 60.0, "flow-stopped"), NOW)
    _, answer = station.obey(Order("unshelve", ""), NOW)
    assert answer == "done: left flow-stopped unacknowledged"


def test_who_did_it_is_kept_and_cleaned_of_what_cannot_be_printed(station: Station) -> None:
    events, _ = station.obey(Order("acknowledge", "left", by="Ada\n\x1b[31m" + "x" * 500), NOW)
    assert events[0].by.startswith("Ada[31m")
    assert len(events[0].by) == 80


@pytest.mark.parametrize("name", NAMES)
def test_every_order_answers_with_done_or_refused(station: Station, name: str) -> None:
    for order in (Order(name, "left"), Order(name, "", 5.0), Order(name, "left", 5.0, "flow-low")):
        assert station.obey(order, NOW)[1].split(": ")[0] in ("done", "refused")
