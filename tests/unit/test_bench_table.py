"""The table of benches: what it keeps, and that a seeded figure which moved is told."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench import table
from tests.bench.figure import Figure

STEADY = Figure("causes right", "95 %", "220 faults", "–", "90 %", True, True)
TIMED = Figure("one step", "11 µs", "–", "–", "50 µs", True)


def rows(*figures: Figure) -> list[dict[str, object]]:
    return [{"bench": "made_up", **figure._asdict()} for figure in figures]


def test_what_is_kept_is_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "OUTPUT", tmp_path)
    table.write(rows(STEADY, TIMED))
    kept = json.loads((tmp_path / "bench.json").read_text())
    assert kept["rows"] == rows(STEADY, TIMED)
    assert "causes right" in (tmp_path / "bench.txt").read_text()
    assert set(table.seeded_in(tmp_path / "bench.json")) == {("made_up", "causes right")}


def test_only_seeded_figures_must_be_found_again() -> None:
    earlier = {("made_up", "causes right"): rows(STEADY)[0]}
    slower = TIMED._replace(measured="14 µs")
    assert table.differing(rows(STEADY, slower), earlier) == []
    moved = rows(STEADY._replace(measured="94 %"))
    assert table.differing(moved, earlier) == ["made_up: causes right: measured was 95 %, is 94 %"]
    assert table.differing(rows(TIMED), earlier) == [
        "made_up: causes right: only in the earlier run"
    ]
    renamed = rows(STEADY._replace(name="causes"))
    assert len(table.differing(renamed, earlier)) == 2


def test_a_bench_that_fails_is_a_row_that_is_not_met(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(name: str) -> object:
        raise RuntimeError("no broker here")

    monkeypatch.setattr(table.importlib, "import_module", broken)
    (row,) = table.measured("drain")
    assert (row.name, row.met) == ("drain", False)
    assert "no broker here" in row.measured
    assert "RuntimeError" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("given", "said"),
    [(["no_such"], "unknown bench no_such; known are"), (["--against", "/no/such"], "/no/such: ")],
)
def test_a_wrong_name_or_file_is_one_line(given: list[str], said: str) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "tests.bench.table", *given], capture_output=True, text=True
    )
    assert ran.returncode == 2  # the user's mistake
    assert said in ran.stderr
    assert "Traceback" not in ran.stderr
