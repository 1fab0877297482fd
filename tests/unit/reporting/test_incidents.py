"""Events paired as a person would: every way in which a beginning or an end may be missing."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.records import AlarmKind, Cause, CleanBasis, Event, EventKind
from monitor.reporting.hours import Span
from monitor.reporting.incidents import (
    cleanings,
    deeds,
    incidents,
    observations,
    oxygen_words,
    together_s,
)

SPAN = Span(10_000.0, 20_000.0)
STOP = AlarmKind.FLOW_STOPPED


def event(kind: EventKind, at_s: float, alarm: AlarmKind | None = None, **other: Any) -> Event:
    """An event whose wall clock is 1,000 s ahead of the line after it was set at 15,000."""
    fields: dict[str, Any] = {
        "filter_id": "left", "event": kind, "line_s": at_s if at_s < 15_000 else at_s - 1000, "utc_s": at_s,
        "alarm": alarm, "occurrence": 1, "flow_m3_per_s": 0.0, "clean_m3_per_s": 2e-4,
        "clean_basis": CleanBasis.MEASURED, "temperature_c": 25.0, "cause": Cause.NONE, "evidence": "",
        "advice": "",
    }  # fmt: skip
    return Event(**(fields | other))


def test_a_stop_with_all_that_happened_to_it() -> None:
    story = [
        event(EventKind.RAISED, 12_000, STOP, cause=Cause.BLOCKED, evidence="a trickle"),
        event(EventKind.RAISED, 12_010, AlarmKind.FLOW_LOW),
        event(EventKind.UPDATED, 12_300, STOP, cause=Cause.PUMP_OR_POWER, evidence="it cools"),
        event(EventKind.ACKNOWLEDGED, 12_600, STOP, by="Ada"),
        event(EventKind.ACKNOWLEDGED, 13_000, STOP, by="Bo"),
        event(EventKind.CLEARED, 16_000, STOP),
    ]
    stop, low = incidents(story, "left", SPAN)
    assert stop.alarm is STOP
    assert stop.ended_utc_s == 16_000
    assert stop.lasted_s == 3000, "by the line: the clock was set ahead meanwhile"
    assert (stop.cause, stop.evidence) == (Cause.PUMP_OR_POWER, "it cools")
    assert (stop.by, stop.after_s) == ("Ada", 600)
    assert (low.alarm, low.ended_utc_s, low.lost_end) == (AlarmKind.FLOW_LOW, None, False)
    assert incidents(story, "right", SPAN) == []


@pytest.mark.parametrize(
    ("raised_s", "cleared_s", "counted"),
    [(5000, 9000, False), (5000, 12_000, True), (5000, 25_000, True), (19_000, 25_000, True), (20_000, None, False),
     (5000, None, True)],
)  # fmt: skip
def test_which_stops_are_of_a_span(raised_s: float, cleared_s: float | None, counted: bool) -> None:
    story = [event(EventKind.RAISED, raised_s, STOP)]
    story += [event(EventKind.CLEARED, cleared_s, STOP)] if cleared_s is not None else []
    assert bool(incidents(story, "left", SPAN)) is counted


def test_an_end_that_is_not_on_record_is_no_standing_alarm() -> None:
    story = [event(EventKind.RAISED, 11_000, STOP), event(EventKind.RAISED, 14_000, STOP, occurrence=2),
             event(EventKind.CLEARED, 14_500, STOP, occurrence=2)]  # fmt: skip
    lost, whole = incidents(story, "left", SPAN)
    assert (lost.lost_end, lost.lasted_s) == (True, None)
    assert (whole.lost_end, whole.lasted_s) == (False, 500)
    assert incidents(story[1:], "left", Span(15_000, 20_000)) == []
    assert incidents([story[2]], "left", SPAN) == [], (
        "cleared without a beginning is nothing to tell"
    )


def test_how_long_together_within_the_span_and_the_record() -> None:
    story = [
        event(EventKind.RAISED, 9000, STOP), event(EventKind.CLEARED, 11_000, STOP),
        event(EventKind.RAISED, 12_000, STOP), event(EventKind.CLEARED, 12_500, STOP),
        event(EventKind.RAISED, 14_000, STOP),
    ]  # fmt: skip
    assert together_s(incidents(story, "left", SPAN), SPAN, 14_300) == 1000 + 500 + 300


def test_cleanings_and_what_they_restored() -> None:
    story = [
        event(EventKind.CLEANED, 9000, by="Bo"),
        event(EventKind.CLEAN_FLOW_LEARNED, 9500, clean_m3_per_s=2.1e-4),
        event(EventKind.CLEANED, 12_000, by="Ada"),
        event(EventKind.CLEAN_FLOW_LEARNED, 13_000, clean_m3_per_s=1.9e-4),
        event(EventKind.CLEANED, 14_000, by="a slip"),
        event(EventKind.CLEANED_UNDONE, 14_100),
        event(EventKind.CLEANED, 16_000, evidence="another pump or filter: all is learned anew"),
    ]
    first, second = cleanings(story, "left", SPAN)
    assert (first.by, first.clean_m3_per_s, first.learned_m3_per_s) == ("Ada", 2e-4, 1.9e-4)
    assert (second.renewed, second.learned_m3_per_s) == (True, None)
    assert [e.event for e in deeds(story, "left", SPAN)].count(EventKind.CLEANED) == 3


def test_what_was_noticed_is_counted_by_cause() -> None:
    story = [event(EventKind.OBSERVED, at, cause=cause, evidence=str(at)) for at, cause in
             ((9000, Cause.AIR), (11_000, Cause.AIR), (12_000, Cause.FLOW_STEP), (13_000, Cause.AIR))]  # fmt: skip
    assert [(c, n, e.evidence) for c, n, e in observations(story, "left", SPAN)] == [
        (Cause.AIR, 2, "13000"), (Cause.FLOW_STEP, 1, "12000"),
    ]  # fmt: skip


def test_oxygen_goes_from_no_over_perhaps_to_likely() -> None:
    words = [oxygen_words(hours * 3600, 25.0, 0.0, "normal") for hours in (0, 0.1, 1, 2, 3, 8, 48)]
    assert words[0] == "no"
    assert "perhaps" in words
    assert words[-1] == "likely"
    order = ["no", "perhaps", "likely"]
    assert [order.index(w) for w in words] == sorted(order.index(w) for w in words)
