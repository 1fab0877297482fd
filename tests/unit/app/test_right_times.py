"""A board that boots without a clock: once the clock is known, what was recorded before gets its time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.app.right_times import RightTimes
from monitor.journal.history import minutes_after, thin
from monitor.journal.store import Journal
from monitor.records import Assessment, CleanBasis, Moment, Quality, Sample
from tests.contracts.test_asyncapi import event

TRUE_UTC_S = 1_770_000_000.0  # what the time is at line 0; the board believes it is 1970


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    made = Journal(tmp_path)
    yield made
    made.close()


def at(line_s: float, known: bool) -> Moment:
    return Moment(line_s, (TRUE_UTC_S if known else 0.0) + line_s, known)


def recorded(journal: Journal, line_s: float, known: bool, samples: int = 1) -> None:
    now = at(line_s, known)
    happened = event(
        filter_id="left",
        line_s=line_s,
        utc_s=now.utc_s,
        since_utc_s=now.utc_s - 5.0,
        until_utc_s=None,
    )
    seen = Assessment("left", 1.0, 2e-4, Quality.GOOD, 2e-4, 2e-4, None, CleanBasis.NONE, None,
                      Quality.MISSING, 0.0, True)  # fmt: skip
    journal.record(now, [happened], [Sample(now, seen)] * samples)


def times(journal: Journal) -> list[tuple[float, bool]]:
    """Of samples: the true time less the line, and whether it is taken for right."""
    with journal.guarded("read") as link:
        rows = link.execute(
            "SELECT line_s, utc_s, synchronised FROM samples ORDER BY seq"
        ).fetchall()
    return [(utc_s - line_s, bool(right)) for line_s, utc_s, right in rows]


def test_records_of_before_get_their_time_and_say_so(journal: Journal) -> None:
    recorded(journal, 100.0, False, samples=4500)  # more than two pages
    clock = [at(160.0, False)]
    right = RightTimes(journal, lambda: clock[0], ["left"], at(90.0, False), 300.0)
    right.look()
    assert set(times(journal)) == {(0.0, False)}
    clock[0] = at(220.0, True)
    right.look()
    assert set(times(journal)) == {(TRUE_UTC_S, True)}
    (entry,) = journal.entries_after(0, 10)
    assert entry.synchronised
    assert entry.event.utc_s == TRUE_UTC_S + 100.0
    assert entry.event.since_utc_s == TRUE_UTC_S + 95.0
    assert entry.event.until_utc_s is None
    whole = event(
        filter_id="left", line_s=100.0, utc_s=TRUE_UTC_S + 100.0, since_utc_s=TRUE_UTC_S + 95.0
    )
    assert entry.event == whole, "nothing else of it has changed"


def test_seconds_that_have_become_minutes_get_their_time_too(journal: Journal) -> None:
    """A board that was without a clock for days has only minutes left of the first."""
    for line_s in (120.0, 180.0, 240.0):
        recorded(journal, line_s, False)
    assert thin(journal, 240.0, rest=lambda _: None) == 2
    right = RightTimes(journal, lambda: at(400.0, True), ["left"], at(90.0, False), 300.0)
    right.look()
    minutes = minutes_after(journal, 0, 10)
    assert [(m.minute, m.synchronised) for m in minutes] == [(2, True), (3, True)]
    assert [m.utc_s for m in minutes] == [TRUE_UTC_S + 120, TRUE_UTC_S + 180]
    assert set(times(journal)) == {(TRUE_UTC_S, True)}


def test_what_waited_in_memory_comes_later_and_another_gap_is_set_right_too(
    journal: Journal,
) -> None:
    clock = [at(0.0, False)]
    right = RightTimes(journal, lambda: clock[0], ["left"], at(0.0, False), 300.0)
    clock[0] = at(60.0, True)
    right.look()
    recorded(journal, 50.0, False)  # a batch of before, written after
    clock[0] = at(360.0, True)
    right.look()
    assert times(journal) == [(TRUE_UTC_S, True)]
    clock[0] = at(9_000.0, True)
    right.look()
    recorded(journal, 40_000.0, False)  # half a day without a network
    clock[0] = at(40_060.0, False)
    right.look()
    clock[0] = at(50_000.0, True)
    right.look()
    assert times(journal) == [(TRUE_UTC_S, True)] * 2


def test_the_runs_of_before_and_what_is_right_already_stay(journal: Journal) -> None:
    recorded(journal, 10.0, False)
    with journal.guarded("write", transaction=True) as link:
        link.execute("UPDATE events SET run = 'another'")
    recorded(journal, 110.0, True)
    before = times(journal), journal.entries_after(0, 10)
    right = RightTimes(journal, lambda: at(200.0, True), ["left"], at(100.0, False), 300.0)
    right.look()
    assert (times(journal), journal.entries_after(0, 10)) == before
