"""Work that may be late, by APScheduler, which neither piles up nor stalls when the clock is set.

APScheduler plans by the wall clock. Its own interval trigger lists every run that was missed, so that
a clock set 30 days ahead costs seconds and tens of megabytes, and a clock set back stalls every job
until the wall clock has caught up. Here the next run lies one interval after now, whatever was
missed; and when wall clock and monotonic clock part, every chore is planned anew.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger
from tzlocal import get_localzone

from monitor.records import Health

_log = logging.getLogger(__name__)
# More than the adjustments of a clock that is kept in step, less than any step that matters here.
_PARTED_BY_S = 5.0
# A chore is overdue when it has not been done for this many intervals and a minute.
_OVERDUE_INTERVALS, _OVERDUE_EXTRA_S = 3.0, 60.0


class Chores:
    """Runs chores at intervals in threads of its own.

    Args:
        wall: seconds of the wall clock; it may step.
        monotonic: seconds that only go forward.
    """

    def __init__(
        self,
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._wall = wall
        self._monotonic = monotonic
        self._apart_s = wall() - monotonic()
        self._scheduler = BackgroundScheduler(timezone=UTC)
        self._every_s: dict[str, float] = {}
        self._done_at_s: dict[str, float] = {}
        self._daily: dict[str, BaseTrigger] = {}

    def add(self, name: str, every_s: float, do: Callable[[], object], at_once: bool) -> None:
        """Have something done every so many seconds, the first time at once or after that long."""
        self._every_s[name] = every_s
        self._done_at_s[name] = self._monotonic()

        def done() -> None:
            try:
                do()
            except Exception:
                _log.exception("%s failed; it is tried again in %.0f s", name, every_s)
                return
            self._done_at_s[name] = self._monotonic()

        now = self._now()
        self._scheduler.add_job(
            done,
            _Every(every_s),
            id=name,
            name=name,
            coalesce=True,
            max_instances=1,
            misfire_grace_time=None,
            next_run_time=now if at_once else now + timedelta(seconds=every_s),
        )

    def add_daily(self, name: str, at: str, do: Callable[[], object]) -> None:
        """Have something done once a day at a time such as 07:30, in the board's own time zone.

        It is for people: missed by more than an hour, it waits for the next day.
        """
        hour, minute = at.split(":")
        self._daily[name] = CronTrigger(
            hour=int(hour), minute=int(minute), timezone=get_localzone()
        )
        self._scheduler.add_job(
            do, self._daily[name], id=name, name=name, coalesce=True, misfire_grace_time=3600
        )

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def attend(self) -> None:
        """Plan every chore anew if the wall clock was set; cheap, for once a second."""
        apart_s = self._wall() - self._monotonic()
        step_s = apart_s - self._apart_s
        if abs(step_s) < _PARTED_BY_S:
            return
        self._apart_s = apart_s
        way = "ahead" if step_s > 0 else "back"
        _log.info("the clock was set %s by %.0f s; chores are planned anew", way, abs(step_s))
        for job in self._scheduler.get_jobs():
            if job.id in self._daily:
                job.reschedule(self._daily[job.id])
            else:
                job.modify(next_run_time=self._now())

    def health(self) -> Health:
        """Say whether every chore is done in time."""
        now_s = self._monotonic()
        overdue = [
            f"{name} was last done {now_s - at_s:.0f} s ago"
            for name, at_s in self._done_at_s.items()
            if now_s - at_s > _OVERDUE_INTERVALS * self._every_s[name] + _OVERDUE_EXTRA_S
        ]
        if overdue:
            return Health("chores", False, "; ".join(overdue), "restart canister")
        return Health("chores", True, f"{len(self._every_s)} done in time")

    def stop(self) -> None:
        """Plan nothing more; what runs at this moment may end by itself."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._wall(), UTC)


class _Every(BaseTrigger):  # type: ignore[misc]
    """Fires one interval after now, so that missed runs are never counted one by one."""

    def __init__(self, every_s: float) -> None:
        self._every = timedelta(seconds=every_s)

    def get_next_fire_time(self, _previous: Any, now: datetime) -> datetime:
        """Return when to run next; the argument before is what APScheduler gives to any trigger."""
        return now + self._every
