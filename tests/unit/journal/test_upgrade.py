"""A journal that a release wrote opens with this program, and nothing in it is lost.

`released/` holds one journal for each version that was ever released, with the configuration it was
written under; tests/support/released_journal.py made them in the checkout of that release. They are
never made anew by later code: that would prove nothing.
"""

from __future__ import annotations

import shutil
import sqlite3
import threading
from pathlib import Path
from typing import Any

import msgspec
import pytest

from monitor.app.plans import watch_plans
from monitor.app.station import Station
from monitor.errors import StorageError
from monitor.journal import schema
from monitor.journal.file import FILE_NAME
from monitor.journal.store import Journal
from monitor.records import Moment, Order
from monitor.settings.load import load

RELEASED = sorted((Path(__file__).parent / "released").glob("*.sqlite"))
TABLES = ("about", "samples", "events", "states", "orders", "cursors")


def rows(file: Path) -> dict[str, list[dict[str, Any]]]:
    """Every row of the file, read without any of our code."""
    link = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    link.row_factory = sqlite3.Row
    try:
        return {t: [dict(r) for r in link.execute(f"SELECT * FROM {t}")] for t in TABLES}
    finally:
        link.close()


def version(file: Path) -> int:
    link = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    try:
        return int(link.execute("PRAGMA user_version").fetchone()[0])
    finally:
        link.close()


@pytest.fixture(params=RELEASED, ids=lambda f: f.stem)
def released(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A copy of a released journal, where a daemon would find it."""
    shutil.copy(request.param, tmp_path / FILE_NAME)
    shutil.copy(request.param.with_suffix(".toml"), tmp_path / "canister.toml")
    return tmp_path


def test_there_is_a_journal_of_every_released_version() -> None:
    """The newest version may still be unreleased."""
    # Bytes 60 to 63 of the header are user_version (SQLite's file format); opening the kept file
    # would leave companions beside it.
    kept = {int.from_bytes(file.read_bytes()[60:64], "big") for file in RELEASED}
    assert kept >= set(range(1, schema.VERSION)) | {1}


def test_every_row_is_still_there(released: Path) -> None:
    before = rows(released / FILE_NAME)
    assert all(before[table] for table in TABLES), "a table without rows proves nothing"
    journal = Journal(released)
    assert journal.mended is None
    journal.close()
    assert version(released / FILE_NAME) == schema.VERSION
    after = rows(released / FILE_NAME)
    for table in TABLES:
        assert len(after[table]) == len(before[table])
        for old, new in zip(before[table], after[table], strict=True):
            assert {key: new[key] for key in old} == old


def test_every_row_is_understood(released: Path) -> None:
    before = rows(released / FILE_NAME)
    journal = Journal(released)
    try:
        entries = journal.last_entries(10_000)
        assert [e.seq for e in entries] == [row["seq"] for row in before["events"]]
        assert journal.id == next(r["value"] for r in before["about"] if r["name"] == "id")
        for row in before["cursors"]:
            assert journal.cursor(row["sink"]) == row["position"]
        waiting = [row["seq"] for row in before["orders"] if row["done_utc_s"] is None]
        orders = journal.open_orders()
        assert [seq for seq, _, _ in orders] == waiting
        assert all(isinstance(order, Order) for _, order, _ in orders)
    finally:
        journal.close()


def test_what_was_learned_is_taken_up_again(released: Path) -> None:
    """Without it every filter would be blind until clean flow is learned anew."""
    before = rows(released / FILE_NAME)
    tree = load(released / "canister.toml").tree
    station = Station(watch_plans(tree))
    journal = Journal(released)
    try:
        saved_at = journal.saved_at()
        assert saved_at is not None
        now = Moment(saved_at.line_s + 60.0, saved_at.utc_s + 60.0)
        assert station.restore(journal.states(), now) == []
    finally:
        journal.close()
    happened = [msgspec.json.decode(r["body"]) for r in before["events"]]
    for name in station.plans:
        learned = [e for e in happened if e["event"] == "clean-flow-learned"][-1]
        assert learned["filter_id"] == name
        picture = station.state_payload(name, now, False)
        assert picture["clean_flow_l_per_h"] == pytest.approx(
            learned["clean_m3_per_s"] * 3.6e6, abs=0.06
        )
    told = {(e["filter_id"], e["alarm"]) for e in happened if e["alarm"] is not None}
    assert told == set(station.alarm_events)


def test_a_new_step_keeps_the_rows_and_a_failing_one_leaves_the_old_file(
    released: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, old = rows(released / FILE_NAME), version(released / FILE_NAME)
    good = "ALTER TABLE samples ADD COLUMN colour TEXT;\nCREATE TABLE later (name TEXT)"
    bad = f"{good};\nALTER TABLE no_such_table ADD COLUMN x"
    for step, newer in ((bad, False), (good, True)):
        monkeypatch.setattr(schema, "STEPS", (*schema.STEPS[:old], step))
        monkeypatch.setattr(schema, "VERSION", old + 1)
        if newer:
            Journal(released).close()
        else:
            with pytest.raises(StorageError):
                Journal(released)
        assert version(released / FILE_NAME) == (old + 1 if newer else old)
        after = rows(released / FILE_NAME)
        assert ("colour" in after["samples"][0]) is newer
        assert [r["body"] for r in after["events"]] == [r["body"] for r in before["events"]]
    assert not list(released.glob("damaged-*"))


def test_two_programs_that_start_together_bring_it_up_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A `canister check` beside the starting daemon must find the step done, not fail on it."""
    gate = threading.Barrier(2)
    read = schema._version
    waited: set[int] = set()

    def together(link: sqlite3.Connection) -> int:
        found = read(link)
        if threading.get_ident() not in waited:  # both have seen the old version
            waited.add(threading.get_ident())
            gate.wait(10)
        return found

    monkeypatch.setattr(schema, "_version", together)
    file = tmp_path / FILE_NAME
    troubles: list[BaseException] = []

    def one() -> None:
        link = sqlite3.connect(file, isolation_level=None)
        try:
            schema.bring_up(link)
        except BaseException as error:
            troubles.append(error)
        finally:
            link.close()

    threads = [threading.Thread(target=one) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert troubles == []
    assert version(file) == schema.VERSION
