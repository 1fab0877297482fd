"""Samples become minutes, and nothing of a minute is lost but its seconds."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.app.tidy import tidy
from monitor.journal.history import SampleLedger, drop_minutes, minutes_after, thin
from monitor.journal.store import Journal
from monitor.records import Cause, CleanBasis, Event, EventKind, MinuteRow, Moment, Quality
from monitor.settings.model import StorageSettings

UTC_S = 1.7e9


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal(tmp_path)
    yield opened
    opened.close()


def put(
    journal: Journal,
    from_s: int,
    until_s: int,
    every_s: int = 1,
    name: str = "left",
    bad_from_s: float = math.inf,
) -> None:
    """Samples whose flow in L/h is the second of the minute; from `bad_from_s` on there is none."""
    with journal.guarded("write", transaction=True) as link:
        link.executemany(
            "INSERT INTO samples (filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, "
            "clean_m3_per_s, temperature_c, temperature_quality) VALUES (?, ?, ?, 1, ?, ?, ?, 25.5, 'good')",
            [
                (name, float(t), UTC_S + t, None, "missing", 2e-4)
                if t >= bad_from_s
                else (name, float(t), UTC_S + t, (t % 60) / 3.6e6, "good", 2e-4)
                for t in range(from_s, until_s, every_s)
            ],
        )


def event(kind: EventKind, line_s: float) -> Event:
    return Event("left", kind, line_s, UTC_S + line_s, None, 0, 1e-4, 2e-4, CleanBasis.MEASURED, None,
                 Cause.AIR, "", "")  # fmt: skip


def all_minutes(journal: Journal) -> list[MinuteRow]:
    return minutes_after(journal, 0, 10**9)


def sample_count(journal: Journal) -> int:
    return len(SampleLedger(journal).entries_after(0, 10**9))


def test_a_minute_keeps_mean_extremes_and_how_many(journal: Journal) -> None:
    put(journal, 0, 180, bad_from_s=150)
    assert thin(journal, 180.0, rest=lambda _: None) == 180
    first, second, third = all_minutes(journal)
    litres = 3.6e6
    assert (first.minute, first.utc_s, first.samples, first.flow_samples) == (0, UTC_S, 60, 60)
    assert first.flow_m3_per_s is not None
    assert first.lowest_m3_per_s is not None
    assert first.highest_m3_per_s is not None
    assert first.clean_m3_per_s is not None
    assert first.flow_m3_per_s * litres == pytest.approx(29.5, abs=1e-3)
    assert first.lowest_m3_per_s == 0.0
    assert first.highest_m3_per_s * litres == pytest.approx(59.0)
    assert first.clean_m3_per_s * litres == pytest.approx(720.0)
    assert first.temperature_c == pytest.approx(25.5)
    assert first.synchronised
    assert second.minute == 1
    assert (third.samples, third.flow_samples, third.temperature_samples) == (60, 30, 60)
    assert third.flow_m3_per_s is not None
    assert third.flow_m3_per_s * litres == pytest.approx(14.5, abs=1e-3)
    assert sample_count(journal) == 0


def test_a_minute_without_any_flow_says_so(journal: Journal) -> None:
    put(journal, 0, 60, bad_from_s=0)
    thin(journal, 60.0, rest=lambda _: None)
    (only,) = all_minutes(journal)
    assert only.flow_m3_per_s is None
    assert only.lowest_m3_per_s is None
    assert (only.samples, only.flow_samples) == (60, 0)


def test_only_whole_minutes_go_and_the_young_ones_stay(journal: Journal) -> None:
    put(journal, 0, 600)
    assert thin(journal, 299.0, rest=lambda _: None) == 240
    assert [m.minute for m in all_minutes(journal)] == [0, 1, 2, 3]
    assert SampleLedger(journal).entries_after(0, 1)[0].moment.line_s == 240.0
    assert thin(journal, 299.0, rest=lambda _: None) == 0
    assert thin(journal, 600.0, rest=lambda _: None) == 360
    assert [m.samples for m in all_minutes(journal)] == [60] * 10


def test_many_pages_of_two_filters_split_no_minute(journal: Journal) -> None:
    for start in range(0, 7200, 60):
        put(journal, start, start + 60, name="left")
        put(journal, start, start + 60, name="right")
    assert thin(journal, 7200.0, rest=lambda _: None) == 14400
    found = all_minutes(journal)
    assert len(found) == 240
    assert {m.samples for m in found} == {60}
    assert {m.filter_id for m in found} == {"left", "right"}


def test_what_a_server_has_not_got_waits_but_not_for_ever(journal: Journal) -> None:
    put(journal, 0, 600)
    ledger = SampleLedger(journal)
    ledger.move_cursor("history", ledger.entries_after(0, 600)[119].seq)
    assert thin(journal, 600.0, ledger.cursor("history"), 0.0, lambda _: None) == 120
    assert thin(journal, 600.0, ledger.cursor("history"), 300.0, lambda _: None) == 180
    assert sample_count(journal) == 300


def test_others_write_while_it_thins_out(journal: Journal) -> None:
    """The longest that an alarm waits for the writer's lock while 100,000 samples become minutes."""
    put(journal, 0, 100_000)
    waits: list[float] = []
    done = threading.Event()

    def alarms() -> None:
        while not done.is_set():
            began = time.monotonic()
            happened = event(EventKind.OBSERVED, began)
            journal.record(Moment(began, UTC_S), events=[happened])
            waits.append(time.monotonic() - began)
            time.sleep(0.005)

    writer = threading.Thread(target=alarms)
    writer.start()
    thin(journal, 100_000.0)
    done.set()
    writer.join()
    assert len(waits) > 20
    assert max(waits) < 5.0  # the writers' lock is given up after that, see `Journal`


def test_the_oldest_minutes_go_and_the_young_ones_stay(journal: Journal) -> None:
    put(journal, 0, 60 * 5000, every_s=60)
    thin(journal, 300_000.0, rest=lambda _: None)
    assert len(all_minutes(journal)) == 5000
    assert drop_minutes(journal, 60 * 4000.0) == 4000
    assert all_minutes(journal)[0].minute == 4000


def test_the_chore_keeps_seconds_minutes_and_events_each_for_its_time(journal: Journal) -> None:
    day = 86400
    put(journal, 0, 10 * day, every_s=600)
    happened = event(EventKind.CLEANED, 1.0)
    journal.record(Moment(1.0, UTC_S), events=[happened])
    storage = StorageSettings(keep_samples_days=2, keep_minutes_days=5)
    thinned, dropped = tidy(journal, storage, 10.0 * day, ())
    assert (thinned, dropped) == (8 * 144, 5 * 144)
    assert sample_count(journal) == 2 * 144
    assert len(all_minutes(journal)) == 3 * 144
    assert [e.event for e in journal.last_entries(5)] == [happened]


def test_a_full_journal_turns_what_is_owed_into_minutes_before_it_drops_any(
    journal: Journal,
) -> None:
    day = 86400
    put(journal, 0, 4 * day, every_s=3)
    storage = StorageSettings(keep_samples_days=1, max_size_mb=5)
    assert journal.used_bytes() > 5e6
    thinned, _ = tidy(journal, storage, 4.0 * day, (), ("history",))
    assert thinned == 3 * day // 3
    assert journal.used_bytes() <= 5e6
    assert {m.flow_samples for m in all_minutes(journal)} == {20}
    assert journal.counts() == {}


def test_a_quality_that_is_not_known_is_no_reason_to_trust(journal: Journal) -> None:
    with journal.guarded("write", transaction=True) as link:
        link.execute(
            "INSERT INTO samples (filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, "
            "clean_m3_per_s, temperature_c, temperature_quality) "
            "VALUES ('left', 1.0, 1.0, 1, 1e-4, 'splendid', NULL, NULL, 'good')"
        )
    (row,) = SampleLedger(journal).entries_after(0, 5)
    assert row.flow_quality is Quality.MISSING
    assert row.journal == journal.id
