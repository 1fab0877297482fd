"""A journal that cannot be written stops neither measuring nor judging."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest

from monitor.alarms.rules import Limits
from monitor.app.recorder import Recorder
from monitor.app.replay import unknown_filter
from monitor.app.station import Station
from monitor.errors import StorageError
from monitor.journal.store import Journal
from monitor.records import FlowReading, Moment, Order
from monitor.settings.model import StorageSettings

PLAN = {"left": unknown_filter("left", 450, 12, Limits())}


class Failing(Journal):
    """A journal whose disk can be taken away."""

    failing = False

    def record(self, *arguments: object, **options: object) -> None:  # type: ignore[override]
        if self.failing:
            raise StorageError("journal: cannot write: disk full")
        super().record(*arguments, **options)  # type: ignore[arg-type]


class Damaged(Journal):
    """A journal whose file is found damaged at the next write."""

    found = False

    def record(self, *arguments: object, **options: object) -> None:  # type: ignore[override]
        if self.found:
            self.found, self.damaged = False, ValueError("malformed")
            raise StorageError("journal: cannot write: malformed")
        super().record(*arguments, **options)  # type: ignore[arg-type]


@pytest.fixture
def parts(tmp_path: Path):  # type: ignore[no-untyped-def]
    journal = Failing(tmp_path)
    station = Station(PLAN)
    recorder = Recorder(journal, station, StorageSettings(sample_every_s=1, commit_every_s=5))
    yield journal, station, recorder
    journal.close()


def tick(station: Station, recorder: Recorder, line_s: float, flow: float) -> None:
    now = Moment(line_s, 1000 + line_s)
    recorder.take(now, station.tick([FlowReading("left", 1.0, flow)], now))


def test_events_wait_for_the_disk_and_none_is_lost(parts) -> None:  # type: ignore[no-untyped-def]
    journal, station, recorder = parts
    for t in range(20):
        tick(station, recorder, float(t), 2e-4)
    assert [e.event.event for e in journal.entries_after(0, 9)] == ["clean-flow-learned"]
    journal.failing = True
    for t in range(20, 60):
        tick(station, recorder, float(t), 0.0)
    assert not recorder.health().working
    assert "1 events wait in memory" in recorder.health().line
    journal.failing = False
    for t in range(60, 75):
        tick(station, recorder, float(t), 0.0)
    assert recorder.health().working
    events = [e.event for e in journal.entries_after(0, 9)]
    assert [e.event for e in events] == ["clean-flow-learned", "raised"]
    assert events[1].line_s == 29.0, "ten seconds at a standstill, 20 to 29, not when written"


def test_samples_are_written_in_batches(parts) -> None:  # type: ignore[no-untyped-def]
    journal, station, recorder = parts
    with journal.guarded("read") as link:
        count = lambda: link.execute("SELECT COUNT(*) FROM samples").fetchone()[0]  # noqa: E731
        tick(station, recorder, 0.0, 2e-4)
        tick(station, recorder, 4.0, 2e-4)
        assert count() == 0
        tick(station, recorder, 5.0, 2e-4)
        assert count() == 3


def test_a_sample_a_second_though_ticks_come_a_hair_early_or_late(parts) -> None:  # type: ignore[no-untyped-def]
    journal, station, recorder = parts
    for t in range(60):
        tick(station, recorder, t + 0.004 * (t % 3), 2e-4)
    with journal.guarded("read") as link:
        at_s = [row[0] for row in link.execute("SELECT line_s FROM samples ORDER BY seq")]
    assert [round(s) for s in at_s] == list(range(len(at_s)))
    assert len(at_s) >= 55


def test_a_state_that_has_not_changed_is_not_written_again(parts) -> None:  # type: ignore[no-untyped-def]
    """The last event of an alarm stands still; the filter's own state moves every second."""
    journal, station, recorder = parts

    def saved_at() -> dict[str, float]:
        with journal.guarded("read") as link:
            return dict(link.execute("SELECT name, line_s FROM states").fetchall())

    name = "alarm/left/flow-stopped"
    for t in range(20):
        tick(station, recorder, float(t), 2e-4)
    journal.failing = True
    for t in range(20, 35):
        tick(station, recorder, float(t), 0.0)
    assert name not in saved_at()
    journal.failing = False
    for t in range(35, 60):
        tick(station, recorder, float(t), 0.0)
    first = saved_at()
    assert first[name] < 45.0, "what a failure kept from the disk is written once it works"
    assert first["filter/left"] >= 55.0
    assert journal.states() == station.saved() | {
        n: journal.states()[n] for n in ("filter/left", "site")
    }
    for t in range(60, 80):
        tick(station, recorder, float(t), 2e-4)
    assert saved_at()[name] > 60.0, "it is over"


def test_an_order_is_carried_out_once_even_while_the_disk_is_full(parts, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    journal, _station, recorder = parts
    hand = Journal(tmp_path)
    hand.order(Order("cleaned", "left"))
    journal.failing = True
    events = recorder.orders(Moment(1.0, 1001.0))
    recorder.take(Moment(1.0, 1001.0), events)
    hand.order(Order("dance", "left"))
    second = recorder.orders(Moment(2.0, 1002.0))
    assert [e.event for e in events] == ["cleaned"]
    assert second == []
    journal.failing = False
    recorder.flush(Moment(3.0, 1003.0))
    assert hand.answer(1) == "done: clean flow is being learned anew"
    assert str(hand.answer(2)).startswith("refused: unknown order dance; known: cleaned")
    hand.close()


def test_a_saved_state_that_cannot_be_read_begins_anew_and_says_so() -> None:
    station = Station(PLAN)
    said = station.restore({"filter/left": b'{"condition": 3}', "filter/gone": b"x"}, Moment(1, 1))
    assert len(said) == 1
    assert "filter/left" in said[0]


def test_a_station_restored_goes_on_as_if_nothing_had_been() -> None:
    first = Station(PLAN)
    for t in range(40):
        first.tick([FlowReading("left", 1.0, 2e-4 if t < 20 else 0.0)], Moment(float(t), float(t)))
    second = Station(PLAN)
    assert second.restore(first.saved(), Moment(40.0, 40.0)) == []
    assert second.alarm_events == first.alarm_events
    assert second.tick([FlowReading("left", 1.0, 0.0)], Moment(41.0, 41.0)) == []


def test_a_journal_damaged_in_use_is_begun_anew_with_all_that_is_known(tmp_path: Path) -> None:
    journal, station = Damaged(tmp_path), Station(PLAN)
    recorder = Recorder(journal, station, StorageSettings(sample_every_s=1, commit_every_s=5))
    for t in range(20):
        tick(station, recorder, float(t), 2e-4)
    journal.found = True
    for t in range(20, 45):
        tick(station, recorder, float(t), 0.0)
    assert [e.event.event for e in journal.entries_after(0, 9)] == ["clean-flow-learned", "raised"]
    again = Station(PLAN)
    again.restore(journal.states(), Moment(45.0, 1045.0))
    assert again.states["left"].condition.reference == station.states["left"].condition.reference
    assert not recorder.health().working
    assert "a new one begun" in recorder.health().line
    tick(station, recorder, 3700.0, 0.0)
    assert recorder.health().working, "told for an hour"
    journal.close()


def test_what_finds_no_room_and_what_is_never_written_is_counted(  # type: ignore[no-untyped-def]
    parts, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    monkeypatch.setattr("monitor.app.recorder._MOST_SAMPLES", 10)
    journal, station, _ = parts
    recorder = Recorder(journal, station, StorageSettings(sample_every_s=1, commit_every_s=5))
    journal.failing = True
    for t in range(30):
        tick(station, recorder, float(t), 2e-4)
    assert "0 events and 20 samples found no room and are lost" in recorder.health().line
    recorder.close(Moment(30.0, 1030.0))
    assert "1 events and 30 samples were never written" in caplog.text
    journal.failing = False
    recorder.flush(Moment(31.0, 1031.0))
    assert "written again; 0 events and 20 samples found no room" in caplog.text
    recorder.close(Moment(32.0, 1032.0))
    assert caplog.text.count("never written") == 1


@pytest.mark.parametrize(
    ("late_s", "synchronised", "answer"),
    [
        (0.0, True, "done: flow alarms wait for 30 min at the most"),
        (600.0, True, "done: flow alarms wait for 20 min at the most"),
        (1800.0, True, "refused: asked for 30 min ago, for 30 min"),
        (9e9, True, "refused: asked for 150000000 min ago, for 30 min"),
        (-600.0, True, "done: flow alarms wait for 30 min at the most"),
        (1800.0, False, "done: flow alarms wait for 30 min at the most"),
    ],
)
def test_a_pause_counts_from_when_it_was_given(parts, late_s, synchronised, answer) -> None:  # type: ignore[no-untyped-def]
    journal, station, recorder = parts
    tick(station, recorder, 1.0, 2e-4)
    now = Moment(2.0, 1_770_000_000.0, synchronised)
    seq = journal.order(Order("feeding", "left", 30.0), now.utc_s - late_s)
    events = recorder.orders(now)
    recorder.take(now, events)
    assert journal.answer(seq) == answer
    assert len(events) == answer.startswith("done")
