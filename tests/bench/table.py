"""Runs the benches, prints one table and keeps it in files.

    tests/bench/run [NAME...] [--against FILE]

Writes tests/output/bench.json (every row, when and on what it was measured) and bench.txt (the table).
They take the place of the last run's. With --against, each seeded figure must be the one in that file of
an earlier run, which is read before it is replaced. Exit code 1 when a target is missed, a bench fails or
a seeded figure differs; 2 for a name or file that cannot be used.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import platform
import sys
import time
import traceback
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from tests.bench.figure import Figure

OUTPUT = Path(__file__).parents[1] / "output"

BENCHES = (
    "replay_speed",
    "pulse_path",
    "memory",
    "pin_count",
    "sizing_speed",
    "sizing_quality",
    "score_real",
    "score_lives",
    "score_causes",
    "step_speed",
    "alarm_latency",
    "drain",
    "flash_wear",
    "page_speed",
    "board_speed",
    "influx_backfill",
    "history_size",
    "visits",
    "hub",
    "hub_history",
    "hub_connections",
)


def main() -> None:
    """Run the benches named on the command line, or all."""
    parser = argparse.ArgumentParser(
        prog="tests/bench/run",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(BENCHES)}")
    parser.add_argument("--against", type=Path, metavar="FILE", help="bench.json of an earlier run")
    asked = parser.parse_args()
    unknown = [name for name in asked.names if name not in BENCHES]
    if unknown:
        parser.error(f"unknown bench {', '.join(unknown)}; known are {', '.join(BENCHES)}")
    try:
        earlier = None if asked.against is None else seeded_in(asked.against)
    except (OSError, ValueError, KeyError, TypeError) as error:
        parser.error(f"{asked.against}: {error}; expected bench.json of an earlier run")
    rows: list[dict[str, Any]] = []
    for name in asked.names or BENCHES:
        began_s = time.monotonic()
        found = measured(name)
        took_s = time.monotonic() - began_s
        print(f"{name}: {len(found)} figures in {took_s:.0f} s", file=sys.stderr)
        rows += [{"bench": name, **figure._asdict()} for figure in found]
        write(rows)  # after each, so that a run which is cut short leaves what it found
    Console(width=170).print(drawn(rows))
    other = [] if earlier is None else differing(rows, earlier)
    for line in other:
        print(line)
    if earlier is not None:
        both = sum((r["bench"], r["name"]) in earlier for r in rows if r["seeded"])
        print(f"seeded figures in both runs: {both}, differing: {len(other)}")
    sys.exit(1 if other or not all(row["met"] for row in rows) else 0)


def measured(name: str) -> Sequence[Figure]:
    """Return a bench's figures; one that fails is a row that says so, and the others still run."""
    try:
        return list(importlib.import_module(f"tests.bench.{name}").measure())
    except Exception as error:
        traceback.print_exc()
        return [Figure(name, f"failed: {error}"[:120], "–", "–", "runs to its end", False)]


def write(rows: Sequence[dict[str, Any]]) -> None:
    """Keep the rows, and the table as it is printed."""
    OUTPUT.mkdir(exist_ok=True)
    made = {
        "measured": datetime.now(UTC).isoformat(timespec="seconds"),
        "machine": platform.machine(),
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "rows": rows,
    }
    (OUTPUT / "bench.json").write_text(json.dumps(made, indent=1, ensure_ascii=False) + "\n")
    with (OUTPUT / "bench.txt").open("w") as file:
        Console(width=170, file=file).print(drawn(rows))


def drawn(rows: Sequence[dict[str, Any]]) -> Table:
    """Return the table for people."""
    table = Table("figure", "measured", "reference, same run", "ratio", "target", "met")
    for row in rows:
        cells = (row[key] for key in ("name", "measured", "reference", "ratio", "target"))
        table.add_row(*cells, "yes" if row["met"] else "NO")
    return table


def seeded_in(file: Path) -> dict[tuple[str, str], dict[str, Any]]:
    """Return the seeded rows of an earlier run by bench and name.

    Raises:
        OSError, ValueError, KeyError, TypeError: it is no bench.json.
    """
    rows = json.loads(file.read_text())["rows"]
    return {(r["bench"], r["name"]): r for r in rows if r["seeded"]}


def differing(
    rows: Sequence[dict[str, Any]], earlier: dict[tuple[str, str], dict[str, Any]]
) -> list[str]:
    """Return a line for each seeded figure that an earlier run of the same bench did not find."""
    now = {(r["bench"], r["name"]): r for r in rows if r["seeded"]}
    ran = {r["bench"] for r in rows}
    found = []
    for key in sorted(now.keys() | {k for k in earlier if k[0] in ran}):
        a, b = earlier.get(key), now.get(key)
        if a is None or b is None:
            found.append(f"{': '.join(key)}: only in {'this' if a is None else 'the earlier'} run")
            continue
        for cell in ("measured", "reference", "ratio"):
            if a[cell] != b[cell]:
                found.append(f"{': '.join(key)}: {cell} was {a[cell]}, is {b[cell]}")
    return found


if __name__ == "__main__":
    main()
