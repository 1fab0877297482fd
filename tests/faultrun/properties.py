"""The properties that random sequences hold: the life of an alarm, and commands from strangers."""

from __future__ import annotations

import re
import subprocess
import sys

from tests.conftest import ROOT
from tests.faultrun.row import Row

_PARTS = {
    "random lives of alarms (stateful)": ("tests/unit/alarms/test_managed.py", "TestLife"),
    "fuzzed command topic": ("tests/unit/delivery/test_commands.py", ""),
}


def measure() -> list[Row]:
    """Run each file's tests, the same ones that every run of the tests holds."""
    return [_row(name, *where) for name, where in _PARTS.items()]


def _row(name: str, file: str, only: str) -> Row:
    command = [sys.executable, "-m", "pytest", "-q", "--hypothesis-show-statistics", file]
    done = subprocess.run(
        [*command, "-k", only] if only else command,
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    examples = sum(int(n) for n in re.findall(r"(\d+) passing", done.stdout))
    last = done.stdout.strip().splitlines()[-1] if done.stdout.strip() else done.stderr[-200:]
    passed = re.search(r"(\d+) passed", last)
    return Row(
        name,
        f"{examples} random examples; {last}",
        "no counterexample",
        done.returncode == 0 and passed is not None and examples > 0,
    )
