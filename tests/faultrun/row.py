"""One row of the table of faults."""

from __future__ import annotations

from typing import NamedTuple


class Row(NamedTuple):
    """What was done to the daemon, what was measured, what was expected of it, and whether it held."""

    fault: str
    measured: str
    expected: str
    met: bool
