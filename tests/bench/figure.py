"""One row of the bench table."""

from __future__ import annotations

from typing import NamedTuple


class Figure(NamedTuple):
    """A measured figure beside a reference from the same run, and whether the target is met.

    A `seeded` figure follows from seeds and recordings alone: another run must find it again to the
    last digit. All others are timings, sizes and rates, which move with the machine.
    """

    name: str
    measured: str
    reference: str
    ratio: str
    target: str
    met: bool
    seeded: bool = False
