"""History read back: the order of events over stepped clocks and lost cards, and lines of other programs."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from monitor.app.fleet.lines import lines_of
from monitor.app.fleet.past import Past
from monitor.delivery.influxql import Series
from monitor.fleet.messages import Happened, State, read
from monitor.records import AlarmKind, Cause, EventKind
from monitor.reporting.client import gaps
from monitor.reporting.hours import Span
from monitor.reporting.incidents import incidents
from tests.support.clients_month import Board, at, quay
from tests.support.line_protocol import parse


class Told:
    """A server that says one thing, and keeps the questions."""

    def __init__(self, *rows: dict[str, Any]) -> None:
        self.rows, self.asked = list(rows), list[str]()

    def ask(self, question: str) -> list[Series]:
        self.asked.append(question)
        return [Series({}, self.rows)] if len(self.asked) == 1 and self.rows else []


def row(sequence: int, utc_s: float, **other: Any) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "time": round(utc_s * 1000) * 1_000_000 + sequence, "occurrence": 1, "line_s": 100.0 * sequence,
        "journal": "a0", "sequence": sequence, "flow_l_per_h": 3600.0, "clean_l_per_h": None, "temperature_c": None,
        "evidence": "", "by": None, "filter": "left", "event": "raised", "alarm": "flow-stopped", "cause": None,
    }  # fmt: skip
    return fields | other


def test_numbers_of_a_journal_are_the_order_when_its_clock_stepped_back() -> None:
    """Raised at 1000 s by a clock that was then set back by 500 s; cleared 100 s later on its own line."""
    told = Told(row(2, 600.0, event="cleared"), row(1, 1000.0))
    (events,) = Past(told, "canister").events("quay", 0.0, 2000.0)
    assert [e.event for e in events] == [EventKind.RAISED, EventKind.CLEARED]
    (stop,) = incidents(events, "left", Span(0.0, 2000.0))
    assert stop.lasted_s == pytest.approx(100.0)
    assert events[0].flow_m3_per_s == pytest.approx(1e-3)


def test_journals_follow_one_another_as_they_began() -> None:
    told = Told(row(1, 900.0, journal="b0"), row(1, 100.0), row(2, 950.0))
    journals = Past(told, "canister").events("quay", 0.0, 2000.0)
    assert [[e.utc_s for e in j] for j in journals] == [[100.0, 950.0], [900.0]]


def test_lines_of_other_programs_are_read_as_far_as_they_go() -> None:
    older = row(1, 100.0) | {"line_s": None, "journal": None, "cause": "a-new-cause"}
    newer = row(2, 200.0, event="sung")
    ((event,),) = Past(Told(older, newer), "canister").events("quay", 0.0, 2000.0)
    assert (event.line_s, event.cause, event.alarm) == (100.0, Cause.NONE, AlarmKind.FLOW_STOPPED)


def test_long_spans_are_asked_for_in_parts() -> None:
    told = Told()
    assert list(Past(told, "canister").minutes("quay", "left", at(1), at(32))) == []
    assert len(told.asked) == 2 * 8, "31 days in parts of four, rows and unsure minutes"
    assert all("\"site\" = 'quay' AND" in q and "\"filter\" = 'left'" in q for q in told.asked)


def test_minutes_without_a_right_clock_are_known_as_such() -> None:
    one = {"time": 0, "n": 6, "flows": 3, "flow": 3600.0, "clean": None, "warms": 0, "warm": None}

    class Both:
        def ask(self, question: str) -> list[Series]:
            rows = [{"time": 0, "n": 6}] if '"synchronised" = false' in question else [one]
            return [Series({}, rows)]

    (minute,) = Past(Both(), "canister").minutes("quay", "left", 0.0, 60.0)
    assert (minute.samples, minute.flow_samples, minute.temperature_samples) == (6, 3, 0)
    assert minute.flow_m3_per_s == pytest.approx(1e-3)
    assert minute.synchronised is False


def test_lines_hold_what_a_report_needs_and_their_types_are_fixed() -> None:
    for topic, payload in quay().sent:
        site, message = read(topic, payload, "canister")
        (point,) = map(parse, lines_of("canister", True)(site, message))
        if isinstance(message, State):
            assert point.fields["clean_basis"] == "measured"
            trend = point.fields.get("due_trend")
            assert trend is (True if message.cleaning_due else None)
        elif isinstance(message, Happened):
            assert point.fields["line_s"] == message.line_s
            assert isinstance(point.fields["line_s"], float)
            assert point.fields["journal"] == "a0"


def test_a_state_of_an_older_board_has_no_basis() -> None:
    board = Board("quay")
    board.states("left", at(1), at(1, 1), 704)
    topic, payload = board.sent[0]
    fields = msgspec.json.decode(payload)
    del fields["clean_flow_basis"]
    _, message = read(topic, msgspec.json.encode(fields), "canister")
    assert isinstance(message, State)
    assert message.clean_flow_basis == ""


@pytest.mark.parametrize(
    ("heard", "expected"),
    [
        ([], [(0, 100)]),
        ([(0, 100)], []),
        ([(20, 60), (0, 30)], [(60, 100)]),
        ([(10, 95)], []),
        ([(-50, 20), (50, 500)], [(20, 50)]),
        ([(0, 10), (5, 6), (25, 100)], [(10, 25)]),
    ],
)
def test_gaps_worked_out_by_hand(
    heard: list[tuple[float, float]], expected: list[tuple[float, float]]
) -> None:
    """Of 0 to 100, longer than 10."""
    found = gaps([Span(*h) for h in heard], Span(0, 100), 10)
    assert [(g.start_utc_s, g.end_utc_s) for g in found] == expected
