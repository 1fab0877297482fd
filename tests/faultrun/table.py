"""Brings faults upon the daemon and prints one table; exit code 1 when one is not survived."""

from __future__ import annotations

import importlib
import logging
import sys
import time
import traceback

from rich.console import Console
from rich.table import Table

from tests.faultrun.row import Row

FAULTS = ("powercut", "clock", "disk", "broker", "kills", "properties", "fleet")


def main() -> None:
    """Bring about the faults named on the command line, or all."""
    wanted = sys.argv[1:] or FAULTS
    unknown = [name for name in wanted if name not in FAULTS]
    if unknown:
        print(f"unknown fault {', '.join(unknown)}; known are {', '.join(FAULTS)}", file=sys.stderr)
        sys.exit(2)
    logging.getLogger("monitor").addHandler(logging.NullHandler())  # what the daemon says is no row
    table = Table("fault", "measured", "expected", "met")
    missed = 0
    for name in wanted:
        began = time.monotonic()
        for row in _rows(name):
            missed += not row.met
            table.add_row(row.fault, row.measured, row.expected, "yes" if row.met else "NO")
        print(f"{name}: {time.monotonic() - began:.0f} s", file=sys.stderr)
    Console(width=170).print(table)
    sys.exit(1 if missed else 0)


def _rows(name: str) -> list[Row]:
    """The rows of one fault; one that could not be brought about to its end is not survived."""
    try:
        rows: list[Row] = importlib.import_module(f"tests.faultrun.{name}").measure()
    except Exception as error:
        traceback.print_exc()
        first = next(iter(str(error).splitlines()), "")
        return [Row(name, f"broken off: {type(error).__name__} {first}", "to its end", False)]
    return rows


if __name__ == "__main__":
    main()
