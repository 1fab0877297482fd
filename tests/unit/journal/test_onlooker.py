"""A journal seen by another process: it follows what the daemon does, and breaks nothing of it."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import pytest

from monitor.errors import StorageError
from monitor.journal.file import FILE_NAME
from monitor.journal.history import thin
from monitor.journal.onlooker import Onlooker, course
from monitor.journal.store import Journal
from monitor.records import (
    AlarmKind,
    Assessment,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    Moment,
    Order,
    Quality,
    Sample,
)


def event(
    kind: EventKind, at_s: float, alarm: AlarmKind | None = None, name: str = "left"
) -> Event:
    return Event(
        name, kind, at_s, at_s, alarm, 1, None, None, CleanBasis.NONE, None, Cause.NONE, "", ""
    )


def sample(name: str, at_s: float, flow: float | None, clean: float | None = 2e-4) -> Sample:
    quality = Quality.GOOD if flow is not None else Quality.MISSING
    seen = Assessment(
        name,
        1.0,
        flow,
        quality,
        flow,
        flow,
        clean,
        CleanBasis.MEASURED,
        25.0,
        Quality.GOOD,
        0.0,
        True,
    )
    return Sample(Moment(at_s, 1e9 + at_s), seen)


def test_it_sees_what_the_daemon_writes(tmp_path: Path) -> None:
    daemon = Journal(tmp_path)
    onlooker = Onlooker(tmp_path)
    assert onlooker.id == daemon.id
    assert onlooker.changed()
    assert not onlooker.changed()
    daemon.record(Moment(1.0, 2.0), [event(EventKind.CLEANED, 2.0)], states={"filter/left": b"{}"})
    assert onlooker.changed()
    assert onlooker.states() == {"filter/left": b"{}"}
    assert onlooker.state_moments() == {"filter/left": Moment(1.0, 2.0)}
    assert [e.event.event for e in onlooker.last_entries(5)] == [EventKind.CLEANED]
    onlooker.close()
    daemon.close()


def test_it_cannot_write_but_for_an_order(tmp_path: Path) -> None:
    daemon = Journal(tmp_path)
    onlooker = Onlooker(tmp_path)
    with pytest.raises(StorageError, match="readonly"):
        onlooker.record(Moment(1.0, 2.0), [event(EventKind.CLEANED, 2.0)])
    number = onlooker.order(Order("cleaned", "left", by="the page"), 7.0)
    assert daemon.open_orders() == [(number, Order("cleaned", "left", by="the page"), 7.0)]
    assert onlooker.answer(number) is None
    daemon.record(Moment(1.0, 2.0), answers=[(number, "done: so")])
    assert onlooker.answer(number) == "done: so"
    onlooker.close()
    daemon.close()


def test_orders_do_not_pile_up_where_no_daemon_takes_them(tmp_path: Path) -> None:
    Journal(tmp_path).close()
    onlooker = Onlooker(tmp_path)
    for _ in range(200):
        onlooker.order(Order("cleaned", "left"))
    with pytest.raises(StorageError, match="200 orders wait already"):
        onlooker.order(Order("cleaned", "left"))
    onlooker.close()


def test_it_follows_a_file_begun_anew_and_never_takes_its_log(tmp_path: Path) -> None:
    daemon = Journal(tmp_path)
    daemon.record(Moment(1.0, 2.0), [event(EventKind.CLEANED, 2.0)])
    onlooker = Onlooker(tmp_path)
    assert len(onlooker.last_entries(9)) == 1
    daemon.damaged = sqlite3.DatabaseError("malformed: by the test")
    daemon.begin_anew()
    for at_s in range(3):
        daemon.record(Moment(5.0 + at_s, 6.0), [event(EventKind.PAUSED, 6.0)])
    assert (tmp_path / f"{FILE_NAME}-wal").exists()
    assert EventKind.PAUSED in {e.event.event for e in onlooker.last_entries(9)}
    onlooker.close()
    assert (tmp_path / f"{FILE_NAME}-wal").exists()
    daemon.record(Moment(9.0, 9.0), [event(EventKind.PAUSE_ENDED, 9.0)])
    daemon.close()
    again = Journal(tmp_path, mend=False)
    assert [e.event.event for e in again.last_entries(1)] == [EventKind.PAUSE_ENDED]
    again.close()


def test_what_is_not_there_or_of_another_version_is_told(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="no journal yet; start canister run"):
        Onlooker(tmp_path)
    Journal(tmp_path).close()
    link = sqlite3.connect(tmp_path / FILE_NAME)
    link.execute("PRAGMA user_version = 1")
    link.close()
    with pytest.raises(StorageError, match="written by an older canister"):
        Onlooker(tmp_path)


def test_cleanings_and_stops_are_found_among_all_events(tmp_path: Path) -> None:
    daemon = Journal(tmp_path)
    daemon.record(
        Moment(1.0, 2.0),
        [
            event(EventKind.CLEANED, 1.0),
            event(EventKind.OBSERVED, 2.0),
            event(EventKind.RAISED, 3.0, AlarmKind.FLOW_STOPPED),
            event(EventKind.RAISED, 3.5, AlarmKind.FLOW_LOW),
            event(EventKind.CLEANED, 3.6, name="right"),
            event(EventKind.CLEARED, 4.0, AlarmKind.FLOW_STOPPED),
            event(EventKind.CLEANED_UNDONE, 5.0),
        ],
    )
    onlooker = Onlooker(tmp_path)
    found = [e.event.utc_s for e in onlooker.deeds_and_stops("left", 0.0, 100)]
    assert found == [1.0, 3.0, 4.0, 5.0]
    assert [e.event.utc_s for e in onlooker.deeds_and_stops("left", 3.5, 100)] == [4.0, 5.0]
    last = onlooker.last_deed("left")
    assert last is not None
    assert last.event.utc_s == 5.0
    assert onlooker.last_deed("none") is None
    onlooker.close()
    daemon.close()


def test_the_course_is_the_mean_of_what_was_recorded_whole_or_thinned(tmp_path: Path) -> None:
    daemon = Journal(tmp_path)
    # An hour at a value a second: ten minutes of standing water, ten without a reading.
    flows: list[float | None] = [1e-4 + 1e-8 * n for n in range(3600)]
    flows[1200:1800] = [0.0] * 600
    flows[2400:3000] = [None] * 600
    rows = [sample("left", float(n), v) for n, v in enumerate(flows)]
    rows += [sample("right", float(n), 9.0) for n in range(3600)]
    rows.sort(key=lambda s: s.moment.line_s)
    daemon.record(Moment(3600.0, 1e9 + 3600), samples=rows)
    onlooker = Onlooker(tmp_path)
    for _ in ("whole", "half thinned"):
        found = course(onlooker, "left", 1e9, 1e9 + 3600, 6)
        assert found.utc_s == [1e9 + 300 + 600 * n for n in range(6)]
        for n, (flow, low, high) in enumerate(
            zip(found.flow, found.lowest, found.highest, strict=True)
        ):
            part = [v for v in flows[600 * n : 600 * (n + 1)] if v is not None]
            if not part:
                assert (flow, low, high) == (None, None, None)
                continue
            # The journal's minutes count whole mL/h: 3.6e9 of them are a m³/s.
            assert flow == pytest.approx(math.fsum(part) / len(part), abs=1 / 3.6e9)
            assert low == pytest.approx(min(part), abs=1 / 3.6e9)
            assert high == pytest.approx(max(part), abs=1 / 3.6e9)
        assert found.running[2] is None
        assert found.running[0] == found.flow[0]
        assert set(found.temperature) == {25.0}
        thin(daemon, 1500.0, rest=lambda _: None)
    assert course(onlooker, "left", 1e9 + 1800, 1e9 + 2400, 1).flow == pytest.approx(
        [math.fsum(v or 0.0 for v in flows[1800:2400]) / 600]
    )
    assert course(onlooker, "none", 1e9, 1e9 + 3600, 6).utc_s == []
    assert onlooker.last_flow_utc_s("left") == 1e9 + 3599
    onlooker.close()
    daemon.close()
