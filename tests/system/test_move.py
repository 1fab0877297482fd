"""A history moves to another board: `canister export` there, `canister import` here, and it goes on."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

from tests.conftest import Command, until


def board(folder: Path, form: str = "") -> Path:
    """Write the configuration of a board with the rehearsal's filter and a folder of its own."""
    scenario = Path("monitor/app/rehearsal.toml").read_text(encoding="utf-8")
    file = folder / f"{form or 'old'}.toml"
    where = f'[storage]\nfolder = "{folder}/{form or "old"}"\nlive_file = ""\ncommit_every_s = 2\n'
    text = scenario.replace("[filters.long_tank]", f"{where}[filters.long_tank]", 1)
    file.write_text(text, encoding="utf-8")
    return file


def state(canister: type[Command], file: Path) -> dict[str, Any]:
    status = canister("status", "--config", str(file), "--events", "0", "--json")
    assert status.wait() == 0, status.errors
    found: dict[str, Any] = json.loads(status.output.splitlines()[0])
    return found


def watching(canister: type[Command], file: Path) -> Command:
    daemon = canister("run", "--config", str(file))
    assert until(lambda: "watching long_tank" in daemon.errors, 30), daemon.errors
    return daemon


def test_what_was_learned_goes_on_on_another_board(canister: type[Command], tmp_path: Path) -> None:
    old = board(tmp_path)
    lived = canister(
        "rehearse", "--days", "2", "--folder", str(tmp_path / "old"), "--config", str(old)
    )
    assert lived.wait(120) == 0, lived.errors
    daemon = watching(canister, old)
    assert not until(lambda: daemon.process.poll() is not None, 4, 0.5), daemon.errors
    counts: dict[str, dict[str, int]] = {}
    for form in ("csv", "parquet", "line"):
        export = canister(
            "export", str(tmp_path / f"out-{form}"), "--form", form, "--config", str(old), "--json"
        )
        assert export.wait() == 0, export.errors
        counts[form] = json.loads(export.output)
    assert daemon.stop() == 0
    before = state(canister, old)
    assert before["clean_flow_basis"] == "measured"
    assert counts["csv"]["samples"] > 250
    with (tmp_path / "out-csv" / "events.csv").open(encoding="utf-8", newline="") as text:
        events = list(csv.DictReader(text))
    assert "clean-flow-learned" in {json.loads(e["body"])["event"] for e in events}
    lines = (tmp_path / "out-line" / "samples.lp").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("canister_sample,filter=long_tank,site=")
    assert len(lines) == counts["line"]["samples"] >= counts["csv"]["samples"]
    for form in ("csv", "parquet"):
        new = board(tmp_path, form)
        taken = canister("import", str(tmp_path / f"out-{form}"), "--config", str(new), "--json")
        assert taken.wait() == 0, taken.errors
        assert json.loads(taken.output) == counts[form]
        after = state(canister, new)
        assert after["clean_flow_basis"] == "measured"
        assert after["clean_flow_l_per_h"] == before["clean_flow_l_per_h"]
        again = canister("import", str(tmp_path / f"out-{form}"), "--config", str(new))
        assert again.wait() == 2
        assert "has samples already" in again.errors
    goes_on = watching(canister, new)
    assert not until(lambda: goes_on.process.poll() is not None, 4, 0.5), goes_on.errors
    busy = canister("import", str(tmp_path / "out-csv"), "--config", str(new))
    assert busy.wait() == 2
    assert "stop it first" in busy.errors
    assert goes_on.stop() == 0
    assert "Traceback" not in goes_on.errors
    then = state(canister, new)
    assert then["clean_flow_basis"] == "measured"
    assert then["clean_flow_l_per_h"] == before["clean_flow_l_per_h"]
    longer = canister("export", str(tmp_path / "later"), "--config", str(new), "--json")
    assert longer.wait() == 0
    assert json.loads(longer.output)["samples"] > counts["parquet"]["samples"]
