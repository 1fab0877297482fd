"""Runs the benches and prints one table; exit code 1 when a target is missed."""

from __future__ import annotations

import importlib
import sys

from rich.console import Console
from rich.table import Table

BENCHES = (
    "replay_speed",
    "pulse_path",
    "memory",
    "pin_count",
    "sizing_speed",
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
    wanted = sys.argv[1:] or BENCHES
    unknown = [name for name in wanted if name not in BENCHES]
    if unknown:
        sys.exit(f"unknown bench {', '.join(unknown)}; known are {', '.join(BENCHES)}")
    table = Table("figure", "measured", "reference, same run", "ratio", "target", "met")
    missed = 0
    for name in wanted:
        for figure in importlib.import_module(f"tests.bench.{name}").measure():
            missed += not figure.met
            table.add_row(*figure[:-1], "yes" if figure.met else "NO")
    Console(width=170).print(table)
    sys.exit(1 if missed else 0)


if __name__ == "__main__":
    main()
