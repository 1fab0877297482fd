"""A history goes to another board and is the same there, or nothing of it is taken."""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.app.intake import take_in
from monitor.app.takeout import Form, take_out
from monitor.delivery.line_protocol import Dialect
from monitor.errors import UserMistake
from monitor.journal.history import thin
from monitor.journal.store import Journal
from monitor.records import (
    AlarmKind,
    Assessment,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    Moment,
    Quality,
    Sample,
)

UTC_S = 1.7e9
HOME = Dialect("fish_room", "canister")


def sample(line_s: float, flow: float | None) -> Sample:
    quality = Quality.MISSING if flow is None else Quality.GOOD
    seen = Assessment("left", 1.0, flow, quality, flow, flow, 2e-4, CleanBasis.MEASURED,
                      None, Quality.MISSING, 0.0, True)  # fmt: skip
    return Sample(Moment(line_s, UTC_S + line_s, line_s > 10.0), seen)


def event(line_s: float) -> Event:
    return Event("left", EventKind.RAISED, line_s, UTC_S + line_s, AlarmKind.FLOW_LOW, 1, 0.1 + 0.2,
                 2e-4, CleanBasis.MEASURED, None, Cause.AIR, 'so "said",\nin two lines', "prüfen", "")  # fmt: skip


@pytest.fixture
def open_journal() -> Iterator[Callable[[Path], Journal]]:
    opened: list[Journal] = []

    def one(folder: Path) -> Journal:
        opened.append(Journal(folder))
        return opened[-1]

    yield one
    for journal in opened:
        journal.close()


@pytest.fixture
def lived(open_journal: Callable[[Path], Journal], tmp_path: Path) -> Journal:
    journal = open_journal(tmp_path / "old")
    journal.record(
        Moment(300.0, UTC_S + 300.0),
        events=[event(5.0), event(250.0)],
        samples=[sample(float(t), None if t % 7 == 0 else t / 3.6e6 + 1e-9) for t in range(300)],
        states={"watch/left": b'{"clean_m3_per_s":' + b"2e-4}" + b" " * 3000},
    )
    thin(journal, 120.0, rest=lambda _: None)
    return journal


def rows(file: Path, table: str) -> list[tuple[object, ...]]:
    """What the file holds, read without any code of ours."""
    with sqlite3.connect(f"file:{file}?mode=ro", uri=True) as link:
        return link.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()


@pytest.mark.parametrize("form", [Form.CSV, Form.PARQUET])
def test_another_board_has_the_same_history(
    lived: Journal, open_journal: Callable[[Path], Journal], tmp_path: Path, form: Form
) -> None:
    out = tmp_path / "out"
    counts = take_out(lived, out, form, HOME, None, UTC_S)
    assert counts == {"samples": 180, "minutes": 2, "events": 2, "states": 1}
    new = open_journal(tmp_path / "new")
    assert take_in(new, out, ("mqtt",)) == counts
    for table in ("samples", "minutes", "events"):
        assert rows(new.file, table) == rows(lived.file, table)
    assert new.states() == lived.states()
    assert new.saved_at() == lived.saved_at()
    assert new.undelivered("mqtt") == 0
    assert new.undelivered("influx") == 2
    new.record(Moment(301.0, UTC_S + 301.0), events=[event(301.0)])
    assert new.last_sequence() == 3


def test_line_protocol_has_a_line_for_each_row(lived: Journal, tmp_path: Path) -> None:
    counts = take_out(lived, tmp_path / "out", Form.LINE, HOME, None, UTC_S)
    assert counts == {"samples": 180, "minutes": 2, "events": 2}
    for name, count in counts.items():
        lines = (tmp_path / "out" / f"{name}.lp").read_text(encoding="utf-8").splitlines()
        assert len(lines) == count
        assert all(line.startswith("canister_") for line in lines)


def test_only_the_last_days(lived: Journal, tmp_path: Path) -> None:
    out = tmp_path / "out"
    counts = take_out(lived, out, Form.CSV, HOME, 100 / 86400, UTC_S + 300.0)
    assert (counts["samples"], counts["minutes"], counts["events"]) == (100, 0, 1)


def test_nothing_is_overwritten(lived: Journal, tmp_path: Path) -> None:
    take_out(lived, tmp_path / "out", Form.CSV, HOME, None, UTC_S)
    with pytest.raises(UserMistake, match=r"samples\.csv: is there already"):
        take_out(lived, tmp_path / "out", Form.CSV, HOME, None, UTC_S)


@pytest.mark.parametrize(
    ("table", "column", "text", "told"),
    [
        ("samples", "flow_m3_per_s", "fast", "flow_m3_per_s: got 'fast', expected a finite number"),
        ("samples", "flow_m3_per_s", "nan", "expected a finite number or nothing"),
        ("samples", "quality", "splendid", "quality: got 'splendid', expected one of good"),
        ("samples", "synchronised", "yes", "expected 0 or 1"),
        ("samples", "seq", "0", "seq: got 0, expected more than"),
        ("samples", "line_s", "", "line_s: got nothing, expected a finite number"),
        ("minutes", "minute", "1.5", "minute: got '1.5', expected a whole number"),
        ("minutes", "samples", "9" * 30, "expected a whole number"),
        ("events", "body", "{}", "body: no event that this program knows"),
        ("states", "body", "{", "body: no JSON"),
    ],
)
def test_a_bad_line_is_named_and_nothing_is_taken(
    lived: Journal, open_journal: Callable[[Path], Journal], tmp_path: Path,
    table: str, column: str, text: str, told: str,
) -> None:  # fmt: skip
    out = tmp_path / "out"
    take_out(lived, out, Form.CSV, HOME, None, UTC_S)
    file = out / f"{table}.csv"
    with file.open(encoding="utf-8", newline="") as before:
        head, *lines = list(csv.reader(before))
    lines[-1][head.index(column)] = text
    with file.open("w", encoding="utf-8", newline="") as after:
        csv.writer(after).writerows([head, *lines])
    new = open_journal(tmp_path / "new")
    with pytest.raises(UserMistake) as raised:
        take_in(new, out, ())
    assert told in str(raised.value)
    assert str(file) in str(raised.value)
    assert "\n" not in str(raised.value)
    for name in ("samples", "minutes", "events", "states"):
        assert rows(new.file, name) == []


def test_a_journal_with_a_history_takes_no_other(lived: Journal, tmp_path: Path) -> None:
    out = tmp_path / "out"
    take_out(lived, out, Form.CSV, HOME, None, UTC_S)
    with pytest.raises(UserMistake, match="has samples already"):
        take_in(lived, out, ())


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (lambda f: f.unlink(), r"no minutes\.csv and no minutes\.parquet"),
        (lambda f: f.write_text("a,b\n", encoding="utf-8"), "line 1: expected the columns"),
        (lambda f: f.write_bytes(f.read_bytes()[:-8]), "expected|got nothing"),
        (lambda f: f.write_bytes(b"\xff\xfe" + f.read_bytes()), "cannot be read as CSV in UTF-8"),
    ],
)
def test_a_damaged_folder_is_told_in_one_line(
    lived: Journal, open_journal: Callable[[Path], Journal], tmp_path: Path,
    damage: Callable[[Path], object], told: str,
) -> None:  # fmt: skip
    out = tmp_path / "out"
    take_out(lived, out, Form.CSV, HOME, None, UTC_S)
    damage(out / "minutes.csv")
    with pytest.raises(UserMistake, match=told):
        take_in(open_journal(tmp_path / "new"), out, ())


def test_no_parquet_file_at_all(
    lived: Journal, open_journal: Callable[[Path], Journal], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    take_out(lived, out, Form.PARQUET, HOME, None, UTC_S)
    (out / "events.parquet").write_bytes(b"PAR1 but not really")
    with pytest.raises(UserMistake, match=r"events\.parquet: cannot be read as Parquet"):
        take_in(open_journal(tmp_path / "new"), out, ())
