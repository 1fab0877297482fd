"""One row of the bench table."""

from __future__ import annotations

from typing import NamedTuple


class Figure(NamedTuple):
    """A measured figure beside a reference from the same run, and whether the target is met."""

    name: str
    measured: str
    reference: str
    ratio: str
    target: str
    met: bool
