"""What a check found: one line with a remedy."""

from __future__ import annotations

from enum import StrEnum

import msgspec


class Verdict(StrEnum):
    """How a finding turned out."""

    FINE = "fine"
    LOOK = "look"  # works, and wants a person's eye
    FAILED = "failed"


class Finding(msgspec.Struct, frozen=True):
    """One line of the report. `mistake` tells the user's mistake from the machine's."""

    part: str
    verdict: Verdict
    line: str
    remedy: str = ""
    mistake: bool = False
