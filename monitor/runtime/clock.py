"""The two lines of time.

A Pi has no clock of its own: its wall clock steps at boot and whenever the network answers. So
intervals are taken on a line that only goes forward. Within a run it is the monotonic clock; over
a restart it goes on from where it was saved, by as much as the wall clock says, and never back.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable

from monitor.records import Moment

_SYNC_LOOK_EVERY_S = 60.0
_TIME_ERROR = 5  # what adjtimex(2) returns while the kernel clock is not synchronised
# More than any struct timex; only its first word (modes = 0, "just read") matters here.
_TIMEX_BYTES = 512


class Clock:
    """Gives moments; the first lies at `start_line_s`."""

    def __init__(
        self,
        start_line_s: float = 0.0,
        monotonic: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
        synchronised: Callable[[], bool] | None = None,
    ) -> None:
        self._monotonic = monotonic
        self._wall = wall
        self._ask = synchronised if synchronised is not None else kernel_synchronised
        self._offset_s = start_line_s - monotonic()
        self._asked_at_s = float("-inf")
        self._synchronised = False

    def now(self) -> Moment:
        """Return this moment."""
        at_s = self._monotonic()
        if at_s - self._asked_at_s >= _SYNC_LOOK_EVERY_S:
            self._asked_at_s, self._synchronised = at_s, self._ask()
        return Moment(at_s + self._offset_s, self._wall(), self._synchronised)


def resumed_line_s(saved: Moment | None, wall_s: float) -> float:
    """Return where the line goes on after a restart.

    Args:
        saved: the last moment on record, `None` for none.
        wall_s: the wall clock now, which may lie before the saved one.
    """
    if saved is None:
        return 0.0
    return saved.line_s + max(0.0, wall_s - saved.utc_s)


def kernel_synchronised() -> bool:
    """Return whether the kernel takes its clock for synchronised; no root needed."""
    try:
        buffer = ctypes.create_string_buffer(_TIMEX_BYTES)
        state = ctypes.CDLL(None).adjtimex(buffer)
    except (OSError, AttributeError):
        return False
    return 0 <= int(state) < _TIME_ERROR
