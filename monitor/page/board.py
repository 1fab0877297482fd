"""The newest picture, made once for all browsers, and told to each as soon as it changes."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

from monitor.page import overview, words
from monitor.page.overview import Fragments
from monitor.page.port import Site, SiteView

TOKEN = "%csrf%"
"""Stands in the fragments where each browser's own token goes."""
_LOOK_EVERY_S = 0.15
_ANEW_AFTER_S = 1.0
_ALONE_S = 5.0
_log = logging.getLogger(__name__)


def clock(utc_s: float) -> str:
    """Return a time in the board's own zone, without the day where it is today's."""
    then, now = datetime.fromtimestamp(utc_s).astimezone(), datetime.now().astimezone()
    return f"{then:%H:%M}" if then.date() == now.date() else f"{then.day} {then:%b, %H:%M}"


def second(utc_s: float) -> str:
    """Return a time of the day to the second."""
    return f"{datetime.fromtimestamp(utc_s).astimezone():%H:%M:%S}"


def ticks(from_s: float, to_s: float) -> list[tuple[float, str]]:
    """Return midnights between two times that divide them well, with labels; one time for itself."""
    days = (to_s - from_s) / 86400.0
    if days <= 0:
        then = datetime.fromtimestamp(from_s).astimezone()
        return [(from_s, f"{then.day} {then:%b %Y, %H:%M}")]
    every = next((n for n in (1, 3, 7, 14, 30, 60, 120) if days / n <= 6.5), 240)
    day = (
        datetime.fromtimestamp(from_s)
        .astimezone()
        .replace(hour=0, minute=0, second=0, microsecond=0)
    )
    found = []
    while (at_s := day.timestamp()) <= to_s:
        if at_s >= from_s:
            found.append((at_s, f"{day.day} {day:%b}" if days < 400 else f"{day:%b %y}"))
        day = (day + timedelta(days=every)).replace(tzinfo=None).astimezone()
    return found


class Board:
    """Looks at the site, in a thread of its own, as often as somebody wants to know.

    Args:
        site: looked at.
        monotonic: seconds that only go forward.
    """

    def __init__(self, site: Site, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._site, self._monotonic = site, monotonic
        self._looking = ThreadPoolExecutor(1, "look")
        self._changed = asyncio.Condition()
        self._at_s = float("-inf")
        self._pulse = -1.0
        self.version = 0
        self.viewers = 0
        self.view = SiteView("", 0.0, False, problem="starting")
        self.parts: Fragments = {}
        self.announced = ""

    async def run(self) -> None:
        """Keep looking until cancelled; a look that fails is told once and tried again."""
        told = False
        while True:
            try:
                await self._look_if_due()
                told = False
            except Exception:
                if not told:
                    _log.exception("the site could not be looked at; trying again")
                told = True
                await asyncio.sleep(1.0)
            await asyncio.sleep(_LOOK_EVERY_S)

    async def _look_if_due(self) -> None:
        old_s = self._monotonic() - self._at_s
        if not self.viewers and old_s < _ALONE_S:
            return
        if self._site.pulse() != self._pulse or old_s >= _ANEW_AFTER_S:
            await self.look()

    async def look(self) -> None:
        """Look now, and tell whoever waits."""
        pulse = self._site.pulse()
        view = await asyncio.get_running_loop().run_in_executor(self._looking, self._site.view)
        self._pulse, self._at_s, self.view = pulse, self._monotonic(), view
        parts = overview.fragments(view, TOKEN, clock, second)
        if parts != self.parts:
            self.parts, self.announced = parts, words.announcement(view)
            self.version += 1
            async with self._changed:
                self._changed.notify_all()

    async def fresh(self) -> SiteView:
        """Return a picture that is no older than a second."""
        if self._monotonic() - self._at_s >= _ANEW_AFTER_S:
            await self.look()
        return self.view

    async def news(self, within_s: float) -> AsyncIterator[Fragments]:
        """Yield what has changed since the last time, at first everything, at least so often."""
        self.viewers += 1
        sent: Fragments = {}
        try:
            while True:
                seen, parts = self.version, self.parts
                yield {key: html for key, html in parts.items() if sent.get(key) != html}
                sent = parts
                async with self._changed:
                    if self.version == seen:
                        try:
                            await asyncio.wait_for(self._changed.wait(), within_s)
                        except TimeoutError:
                            continue
        finally:
            self.viewers -= 1

    def close(self) -> None:
        """End the thread."""
        self._looking.shutdown(wait=False, cancel_futures=True)
