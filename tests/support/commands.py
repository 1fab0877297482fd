"""Runs a command in this process, and reads what it says."""

from __future__ import annotations

import json
from typing import Any

from typer.testing import CliRunner, Result

from monitor.cli import app


def run(*words: str, typed: str | None = None, **env: str) -> Result:
    """Run `canister` with these words on a wide terminal; `typed` is what a person types."""
    return CliRunner().invoke(app, list(words), input=typed, env={"COLUMNS": "400", **env})


def fields(*words: str) -> dict[str, Any]:
    """Return the one JSON object that a command says with --json."""
    done = run(*words, "--json")
    assert done.exit_code == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def refusal(done: Result) -> str:
    """Return the one line on standard error of a command that refused what it was given."""
    assert done.exit_code == 2, done.output
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert "Traceback" not in done.output
    assert "nan" not in done.stdout.lower()
    return str(lines[0])


FILTER = """\
[site]
id = "test"
[filters.left]
flow_sensor = { pin = 17, loss_coefficient = 0 }
pump = { rated_flow_l_per_h = 1000, max_head_m = 1.5 }
[filters.left.hoses.all]
bore_mm = 16
length_m = 3
"""
"""The least that a filter can be sized from; invented."""
