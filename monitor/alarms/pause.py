"""Pauses: for feeding or maintenance nobody is woken by a flow that people stopped themselves.

A pause always ends by itself; what stands then is judged anew.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

from monitor.records import AlarmKind


class PauseKind(StrEnum):
    """Why the flow is stopped on purpose."""

    FEEDING = "feeding"
    MAINTENANCE = "maintenance"


LONGEST_MIN = {PauseKind.FEEDING: 60.0, PauseKind.MAINTENANCE: 480.0}
# What a person who stops the flow causes. A temperature out of its band still wakes, and so does flow
# above clean: hoses come off after work on the filter.
QUIET = frozenset(
    {
        AlarmKind.FLOW_STOPPED,
        AlarmKind.FLOW_LOW,
        AlarmKind.FLOW_UNKNOWN,
        AlarmKind.CLEANING_DUE,
    }
)


class Pause(msgspec.Struct, frozen=True, gc=False):
    """A pause and when it ends by itself, on the line of time."""

    kind: PauseKind
    until_s: float
