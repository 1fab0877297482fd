"""Recordings through the judging: real ones where they are beside the checkout, written ones here."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from monitor.cli import app


def replay(*arguments: str) -> list[dict[str, Any]]:
    done = CliRunner().invoke(app, ["replay", *arguments, "--json"])
    assert done.exit_code == 0, done.output
    return [json.loads(line) for line in done.stdout.splitlines()]


def alarms(rows: list[dict[str, Any]]) -> list[tuple[str, str]]:
    return [(r["alarm"], r["event"]) for r in rows if r["alarm"] is not None]


@pytest.mark.recordings
def test_the_collapse_of_a_closing_water_line(recordings: Path) -> None:
    """Cranfield benchmark, set 2_2: the feed collapses between seconds 2,281 and 2,299."""
    file = recordings / "cranfield_multiphase" / "set2_2.csv"
    rows = replay(str(file), "--time", "t_s", "--flow", "FT104_water_in_kg_s")
    raised = [r for r in rows if r["event"] == "raised"]
    assert [r["alarm"] for r in raised] == ["flow-stopped"]
    assert 2281 < raised[0]["time"] <= 2281 + 30
    assert [r["time"] for r in rows if r["alarm"] and r["time"] < 1600] == []
    assert raised[0]["cause"] == "blocked", "a trickle of 8 % is left"
    assert alarms(rows)[-1] == ("flow-stopped", "cleared")


@pytest.mark.recordings
def test_a_loop_drained_to_cavitation(recordings: Path) -> None:
    """SKAB other/12: the flow falls by three quarters and churns within the labelled span."""
    file = recordings / "skab" / "other_12.csv"
    labelled = [
        line.split(",")[0]
        for line in file.read_text(encoding="utf-8").splitlines()[1:]
        if line.split(",")[3].startswith("1")
    ]
    rows = replay(str(file))
    raised = [r for r in rows if r["event"] == "raised"]
    assert len(raised) == 1
    assert labelled[0] <= raised[0]["time"][:19].replace("T", " ") <= labelled[-1]
    assert raised[0]["cause"] == "air"


@pytest.mark.recordings
def test_a_healthy_loop_stays_silent(recordings: Path) -> None:
    """SKAB anomaly-free: 2.8 h in which the flow drifts upwards by 4 % while the water warms."""
    rows = replay(str(recordings / "skab" / "anomaly_free.csv"))
    assert alarms(rows) == []
    told = [r["event"] for r in rows if r["event"] != "observed"]
    assert told == ["clean-flow-learned"]
    # What the statistics see is on the record: no more than one an hour and a bit, and no alarm.
    assert len(rows) - len(told) <= 4


@pytest.mark.recordings
@pytest.mark.parametrize("name", [f"valve1_{n}" for n in range(8)] + ["valve2_0", "other_1", "other_5", "other_10"])  # fmt: skip
def test_changes_of_a_few_per_cent_wake_nobody(recordings: Path, name: str) -> None:
    """SKAB valve and other faults change the steady flow by a few per cent: no user's limit."""
    assert alarms(replay(str(recordings / "skab" / f"{name}.csv"))) == []


@pytest.mark.recordings
def test_a_meter_that_is_silent_while_idle_breaks_nothing(recordings: Path) -> None:
    """WEUSEDTO kitchen faucet: irregular rows and gaps of days; the unit is not stated."""
    file = recordings / "weusedto_kitchen_faucet" / "kitchen_faucet.csv"
    rows = replay(str(file), "--flow", "Flow", "--flow-unit", "L/min")
    names = [a for a in alarms(rows) if a[0] == "flow-stopped" and a[1] in ("raised", "cleared")]
    assert all(a != b for a, b in itertools.pairwise(names)), "raised and cleared in turn"


FIELDS = {
    "time", "filter", "alarm", "event", "occurrence", "flow_l_per_h", "clean_flow_l_per_h",
    "clean_flow_basis", "temperature_c", "cause", "evidence", "advice", "elapsed_s", "consequence", "sure",
    "state", "priority", "since", "until", "announce", "by", "line_s",
}  # fmt: skip


def written(folder: Path, rows: list[str]) -> Path:
    file = folder / "recording.csv"
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return file


def test_every_object_has_the_promised_fields(tmp_path: Path) -> None:
    rows = ["time_s,flow_l_per_h"] + [f"{t},{600 if t < 400 else 0}" for t in range(500)]
    told = replay(str(written(tmp_path, rows)))
    assert [r["event"] for r in told] == ["clean-flow-learned", "raised"]
    assert all(set(r) == FIELDS for r in told)
    assert told[1]["time"] == 409.0, "ten seconds at a standstill: 400 to 409"
    assert told[1]["clean_flow_l_per_h"] == 600.0


def test_pulses_in_us_made_recordings(tmp_path: Path) -> None:
    """600 L/h at 450 pulses per litre are 75 pulses a second, by arithmetic."""
    rows = ["time_s,pulses,water_temp_degf"] + [f"{t},75,77" for t in range(400)]
    told = replay(str(written(tmp_path, rows)), "--pulses-per-litre", "450")
    assert told[0]["clean_flow_l_per_h"] == 600.0
    assert told[0]["temperature_c"] == 25.0


def test_judged_as_a_described_filter(tmp_path: Path) -> None:
    """The model knows what clean is, so a filter that is dead from the first second is seen."""
    rows = ["time_s,pulses"] + [f"{t},0" for t in range(60)]
    file = str(written(tmp_path, rows))
    reference = str(Path(__file__).parents[2] / "deploy" / "canister.reference.toml")
    told = replay(file, "--filter", "long_tank", "--config", reference)
    assert alarms(told) == [("flow-stopped", "raised")]
    assert told[0]["clean_flow_basis"] == "predicted"


def test_rows_set_aside_are_counted_and_named(tmp_path: Path) -> None:
    rows = ["t_s,flow_lpm", "0,10", "1,10", "1,10", "0,10", "x,10", "5", "2,nan", *(f"{t},10" for t in range(3, 40))]  # fmt: skip
    done = CliRunner().invoke(app, ["replay", str(written(tmp_path, rows))])
    assert done.exit_code == 0
    assert "4 set aside" in done.stderr
    assert "time repeats" in done.stderr
    assert "time runs backwards" in done.stderr
    assert "time not readable" in done.stderr
    assert "too few fields" in done.stderr


@pytest.mark.parametrize(
    ("rows", "options", "said"),
    [
        (["a,b", "1,2"], (), "name the column with --time"),
        (["t_s,x_kg_s,y_kg_s", "1,2,3"], (), "could be x_kg_s or y_kg_s"),
        (["t_s,Flow", "1,2"], (), "give --flow-unit"),
        (["t_s,flow_lpm", "1,2"], ("--flow-unit", "furlongs"), "expected one of m3/s"),
        (["t_s,flow_lpm", "1,2"], ("--flow", "flow"), "no column flow; its columns are"),
        (["t_s,flow_lpm", "1,2"], (), "fewer than two rows"),
        ([""], (), "name the column with --time"),
    ],
)
def test_what_cannot_be_replayed_is_one_line_and_exit_2(
    tmp_path: Path, rows: list[str], options: tuple[str, ...], said: str
) -> None:
    done = CliRunner().invoke(app, ["replay", str(written(tmp_path, rows)), *options])
    assert done.exit_code == 2
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_missing_file_is_one_line_and_exit_2(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["replay", str(tmp_path / "none.csv")])
    assert done.exit_code == 2
    assert "No such file" in done.stderr
