"""A wall clock that can be set while everything runs: for our own code and for APScheduler.

libfaketime is not used: it changes the monotonic clock's sleeps too. `datetime.now` is written in C and
does not ask `time.time`, so APScheduler is given a class of its own that knows the step.
"""

from __future__ import annotations

import datetime as real
import time
from collections.abc import Iterator
from contextlib import contextmanager

import apscheduler.executors.base as runner
import apscheduler.schedulers.base as planner

HOUR_S, DAY_S = 3600.0, 86400.0
STEPS_S = {"-1 h": -HOUR_S, "-30 days": -30 * DAY_S, "+30 days": 30 * DAY_S, "+1 year": 365 * DAY_S}


class SteppedWall:
    """Call it for seconds of the wall clock; `step` sets it ahead or back."""

    def __init__(self) -> None:
        self.apart_s = 0.0

    def __call__(self) -> float:
        return time.time() + self.apart_s

    def step(self, by_s: float) -> None:
        self.apart_s += by_s


@contextmanager
def planned_by(wall: SteppedWall) -> Iterator[None]:
    """Let APScheduler see this wall clock."""

    class Stepped(real.datetime):
        @classmethod
        def now(cls, tz: real.tzinfo | None = None) -> real.datetime:  # type: ignore[override]
            return real.datetime.fromtimestamp(wall(), tz)

    before = planner.datetime
    planner.datetime = runner.datetime = Stepped  # type: ignore[misc]
    try:
        yield
    finally:
        planner.datetime = runner.datetime = before
