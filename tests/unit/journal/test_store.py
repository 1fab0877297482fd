"""The journal: what it promises about disks, restarts, damage and other writers."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from monitor.errors import StorageError
from monitor.journal.file import FILE_NAME
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


def event(line_s: float = 1.0, filter_id: str = "left") -> Event:
    return Event(filter_id, EventKind.RAISED, line_s, 1000 + line_s, AlarmKind.FLOW_LOW, 1, 1e-4,
                 2e-4, CleanBasis.MEASURED, None, Cause.AIR, "seen", "do")  # fmt: skip


def sample(line_s: float) -> Sample:
    seen = Assessment("left", 1.0, 1e-4, Quality.GOOD, 1e-4, 1e-4, 2e-4, CleanBasis.MEASURED,
                      25.0, Quality.GOOD, 0.0, True)  # fmt: skip
    return Sample(Moment(line_s, 1000 + line_s), seen)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal(tmp_path)
    yield opened
    opened.close()


def test_every_connection_is_wal_with_full_sync(journal: Journal) -> None:
    """SQLite's documentation: in WAL mode only synchronous=FULL survives a power cut whole."""
    with journal.guarded("read") as link:
        assert link.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
        assert link.execute("PRAGMA synchronous").fetchone()[0] == 2


def test_events_come_back_in_order_and_whole(journal: Journal) -> None:
    sent = [event(1.0), event(2.0, "right"), event(3.0)]
    journal.record(Moment(3.0, 1003.0, False), sent)
    entries = journal.entries_after(0, 10)
    assert [e.event for e in entries] == sent
    assert [e.seq for e in entries] == [1, 2, 3]
    assert {e.synchronised for e in entries} == {False}
    assert [e.seq for e in journal.entries_after(1, 1)] == [2]
    assert [e.seq for e in journal.last_entries(2)] == [2, 3]


def test_an_event_that_cannot_be_read_holds_up_none_behind_it(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    sent = [event(1.0), event(2.0), event(3.0)]
    journal.record(Moment(3.0, 1003.0), sent)
    with journal.guarded("damage") as link:
        link.execute("UPDATE events SET body = '{\"kind\": 7}' WHERE seq < 3")
    assert [e.seq for e in journal.entries_after(0, 2)] == [3]
    assert [e.seq for e in journal.last_entries(3)] == [3]
    assert "event 1 of the journal cannot be read and is passed over" in caplog.text


def test_a_sequence_number_is_never_used_twice(tmp_path: Path) -> None:
    first = Journal(tmp_path)
    first.record(Moment(1.0, 1.0), [event()])
    with first.guarded("write", transaction=True) as link:
        link.execute("DELETE FROM events")
    first.close()
    second = Journal(tmp_path)
    second.record(Moment(2.0, 2.0), [event()])
    assert [e.seq for e in second.entries_after(0, 10)] == [2]
    assert second.id == first.id
    second.close()


def test_all_or_nothing(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    bad = msgspec.structs.replace(sample(1.0), seen=None)  # type: ignore[arg-type]
    with pytest.raises(AttributeError):
        journal.record(Moment(1.0, 1.0), [event()], [bad])
    assert journal.entries_after(0, 10) == []
    journal.record(Moment(1.0, 1.0), [event()])
    assert len(journal.entries_after(0, 10)) == 1


def test_a_large_state_takes_less_than_a_page_and_comes_back_as_it_was(tmp_path: Path) -> None:
    large = json.dumps([{"at_s": 43200.0 * n, "share": 1 - n / 7000} for n in range(160)]).encode()
    journal = Journal(tmp_path)
    journal.record(Moment(50.0, 2000.0), states={"small": b'{"x":0.1}', "large": large})
    assert journal.states() == {"small": b'{"x":0.1}', "large": large}
    with journal.guarded("read") as link:
        kept = dict(link.execute("SELECT name, body FROM states").fetchall())
        page = link.execute("PRAGMA page_size").fetchone()[0]
    assert kept["small"] == '{"x":0.1}', "as readable as ever"
    assert len(large) > page > len(kept["large"])
    journal.close()


def test_a_packed_state_that_is_damaged_is_for_its_reader_to_refuse(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    journal.record(Moment(50.0, 2000.0), states={"large": b"[" + b"1.25," * 900 + b"1]"})
    with journal.guarded("write") as link:
        link.execute("UPDATE states SET body = substr(body, 1, length(body) - 20)")
    with pytest.raises(msgspec.DecodeError):
        msgspec.json.decode(journal.states()["large"])
    journal.close()


def test_states_and_the_last_moment_survive(tmp_path: Path) -> None:
    first = Journal(tmp_path)
    assert first.saved_at() is None
    first.record(Moment(50.0, 2000.0), states={"a": b'{"x":0.1}'})
    first.record(Moment(60.0, 2010.0), samples=[sample(60.0)])
    first.close()
    second = Journal(tmp_path)
    assert second.states() == {"a": b'{"x":0.1}'}
    saved = second.saved_at()
    assert saved is not None
    assert saved.line_s == 60.0
    second.close()


def test_a_cursor_belongs_to_its_sink(journal: Journal) -> None:
    journal.record(Moment(1.0, 1.0), [event(), event()])
    assert (journal.cursor("mqtt"), journal.undelivered("mqtt")) == (0, 2)
    journal.move_cursor("mqtt", 1)
    assert (journal.cursor("mqtt"), journal.undelivered("mqtt")) == (1, 1)
    assert (journal.cursor("other"), journal.undelivered("other")) == (0, 2)


def test_orders_from_another_process_are_seen_and_answered(
    journal: Journal, tmp_path: Path
) -> None:
    assert journal.changed()
    assert not journal.changed()
    other = Journal(tmp_path)
    seq = other.order(Order("cleaned", "left"), 1.7e9)
    assert journal.changed()
    assert journal.open_orders() == [(seq, Order("cleaned", "left"), 1.7e9)]
    assert other.answer(seq) is None
    journal.record(Moment(1.0, 1.0), answers=[(seq, "done")])
    assert other.answer(seq) == "done"
    assert journal.open_orders() == []
    other.close()


def test_pruning_takes_samples_by_age_then_by_size_and_never_events(journal: Journal) -> None:
    journal.record(Moment(1.0, 1.0), [event()], [sample(float(t)) for t in range(10_000)])
    assert journal.prune(5000.0, 10**9) == 5000
    assert journal.prune(0.0, 10**9) == 0
    assert journal.prune(0.0, 1) == 5000
    assert len(journal.entries_after(0, 10)) == 1
    assert journal.counts() == {"samples": 5000}


def test_events_go_last_and_never_before_every_sink_has_them(journal: Journal) -> None:
    seen = msgspec.structs.replace(event(), event=EventKind.OBSERVED)
    journal.record(Moment(1.0, 1.0), [event(), seen, event(), seen])
    assert journal.prune(0.0, 1, ["mqtt"]) == 0
    journal.move_cursor("mqtt", 3)
    assert journal.prune(0.0, 1, ["mqtt", "slow"]) == 0
    assert journal.prune(0.0, 1, ["mqtt"]) == 3
    assert [e.seq for e in journal.entries_after(0, 10)] == [4]
    assert journal.counts() == {"observations": 1, "events": 2}
    assert journal.prune(0.0, 1, []) == 1, "without a sink nothing is owed"


def test_an_event_that_a_sink_never_takes_is_kept_beside(journal: Journal) -> None:
    journal.record(Moment(1.0, 1.0), [event(), event()])
    journal.set_aside("mqtt", 1, "too large")
    assert journal.aside() == [("mqtt", 1, "too large")]
    assert (journal.cursor("mqtt"), journal.undelivered("mqtt")) == (1, 1)
    assert len(journal.entries_after(0, 10)) == 2, "it is still on record"


def test_an_event_that_nobody_can_read_is_passed_over_and_told_once(
    journal: Journal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    journal.record(Moment(1.0, 1.0), [event(), event()])
    with sqlite3.connect(tmp_path / FILE_NAME) as link:
        link.execute("UPDATE events SET body = '{}' WHERE seq = 2")
    link.close()
    assert [e.seq for e in journal.entries_after(0, 10)] == [1]
    journal.move_cursor("mqtt", 1)
    for _ in range(3):
        assert journal.entries_after(1, 10) == []
    assert journal.undelivered("mqtt") == 0
    assert caplog.text.count("cannot be read") == 1


def test_a_damaged_file_is_set_aside_and_a_new_one_begun(tmp_path: Path) -> None:
    first = Journal(tmp_path)
    first.record(Moment(1.0, 1.0), [event()] * 500)
    first.close()
    file = tmp_path / FILE_NAME
    content = bytearray(file.read_bytes())
    content[4096:8192] = os.urandom(4096)
    file.write_bytes(content)
    second = Journal(tmp_path)
    assert second.mended is not None
    assert "damaged" in second.mended
    kept = list(tmp_path.glob("damaged-*.sqlite"))
    assert len(kept) == 1
    assert kept[0].read_bytes()[:4096] == bytes(content[:4096])
    second.record(Moment(2.0, 2.0), [event()])
    assert second.id != first.id, "receivers must not take its numbers for the old journal's"
    second.close()


def test_damage_found_in_use_is_set_aside_and_what_is_owed_goes_along(
    journal: Journal, tmp_path: Path
) -> None:
    journal.record(Moment(1.0, 1.0), [event(float(n)) for n in range(1, 9)])
    journal.move_cursor("mqtt", 5)
    for name in ("cleaned", "resume", "feeding"):
        journal.order(Order(name, "left"))
    journal.record(Moment(1.0, 1.0), answers=[(1, "done")])
    with journal.guarded("bring all into one file") as link:
        link.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        page = link.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'samples'").fetchone()
    with (tmp_path / FILE_NAME).open("r+b") as file:
        file.seek((page[0] - 1) * 4096)
        file.write(b"\xff" * 4096)
    before, beside = journal.id, threading.Thread(target=lambda: journal.cursor("mqtt"))
    beside.start()  # another thread has a connection of its own
    beside.join()
    fresh = Journal.__new__(Journal)  # a connection that has nothing of the file in its memory
    fresh.__dict__.update(journal.__dict__, _local=threading.local())
    with pytest.raises(StorageError, match="malformed"):
        fresh.record(Moment(2.0, 2.0), [event(9.0)], [sample(2.0)])
    assert fresh.damaged is not None
    fresh.begin_anew(done={2})
    assert [order for _, order, _ in fresh.open_orders()] == [Order("feeding", "left")]
    assert fresh.damaged is None
    assert fresh.id != before
    assert "a new one begun" in str(fresh.mended)
    assert [e.event.line_s for e in fresh.entries_after(0, 10)] == [6.0, 7.0, 8.0]
    assert {e.journal for e in fresh.entries_after(0, 10)} == {fresh.id}
    fresh.record(Moment(2.0, 2.0), [event(9.0)], [sample(2.0)])
    assert len(list(tmp_path.glob("damaged-*.sqlite"))) == 1
    fresh.close()


def test_a_full_disk_is_no_damage(journal: Journal) -> None:
    full = sqlite3.OperationalError("database or disk is full")
    full.sqlite_errorcode = 13  # SQLITE_FULL
    with pytest.raises(StorageError), journal.guarded("write"):
        raise full
    assert journal.damaged is None


def test_no_database_at_all_is_set_aside(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"wet paper" * 1000)
    journal = Journal(tmp_path)
    assert journal.mended is not None
    journal.close()


def test_a_command_leaves_a_damaged_file_to_the_daemon_that_may_be_using_it(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"wet paper" * 1000)
    with pytest.raises(StorageError, match=r"damaged .*; canister run sets it aside"):
        Journal(tmp_path, mend=False)
    assert [f.name for f in tmp_path.iterdir()] == [FILE_NAME]


def test_a_newer_journal_is_left_alone(tmp_path: Path) -> None:
    Journal(tmp_path).close()
    link = sqlite3.connect(tmp_path / FILE_NAME)
    link.execute("PRAGMA user_version = 99")
    link.commit()
    link.close()
    with pytest.raises(StorageError, match="newer canister"):
        Journal(tmp_path)
    assert not list(tmp_path.glob("damaged-*"))


def test_a_folder_that_cannot_be_made_names_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(StorageError, match=r"cannot be made: .*storage\.folder"):
        Journal(tmp_path / "file" / "below")


def test_a_full_disk_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    """A file-size limit of the process stands in for the end of the disk."""
    script = f"""
import resource, signal
from pathlib import Path
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from tests.unit.journal.test_store import event
from monitor.journal.store import Journal
from monitor.records import Moment
from monitor.errors import StorageError
journal = Journal(Path({str(tmp_path)!r}))
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
acknowledged = 0
try:
    while True:
        journal.record(Moment(1.0, 1.0), [event()] * 20)
        acknowledged += 20
except StorageError as error:
    print(acknowledged, error)
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    acknowledged, said = done.stdout.split(" ", 1)
    assert int(acknowledged) > 100
    assert "cannot write" in said
    copy = tmp_path / "copy"
    copy.mkdir()
    for part in tmp_path.glob(FILE_NAME + "*"):
        shutil.copy(part, copy)
    found = Journal(copy)
    assert len(found.entries_after(0, 10**6)) >= int(acknowledged)
    assert found.mended is None
    found.close()


def test_killed_at_any_moment_every_acknowledged_event_is_there(tmp_path: Path) -> None:
    script = f"""
import sys
from pathlib import Path
from tests.unit.journal.test_store import event
from monitor.journal.store import Journal
from monitor.records import Moment
journal = Journal(Path({str(tmp_path)!r}))
while True:
    journal.record(Moment(1.0, 1.0), [event()])
    sys.stdout.write("x"); sys.stdout.flush()
"""
    for _ in range(5):
        process = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE)
        assert process.stdout is not None
        heard = process.stdout.read(200)
        process.kill()
        heard += process.stdout.read()
        process.wait()
        process.stdout.close()
        total = len(heard)
        journal = Journal(tmp_path)
        entries = journal.entries_after(journal.cursor("test"), 10**6)
        assert total <= len(entries) <= total + 1
        journal.move_cursor("test", entries[-1].seq)
        journal.close()
