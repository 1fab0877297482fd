"""Asks the broker for what stands there, in parts that its queue for us can hold.

A broker keeps only so many messages for a client (Mosquitto's `max_queued_messages`) and drops the others
without a word. Asked for everything at once, a fleet of some size would overflow that, and the memory
would be called filled with most of it missing. So the sites are found first, by what each has once, and then
asked for the rest, some at a time.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

from monitor.fleet.messages import RETAINED

_ONCE_A_SITE = ("presence", "heartbeat")
_SITES_AT_ONCE = 200
# A part is over when nothing that stood has come for so long; one of all sites may take a broker longer.
_QUIET_S, _QUIET_OF_ALL_S = 0.3, 2.0
_PART_AT_MOST_S = 300.0


class Asker(Protocol):
    """What is needed of a reader."""

    def subscribe(self, filters: Sequence[str], retained_too: bool = False) -> None:
        """Ask for topics, and for what stands there."""

    def unsubscribe(self, filters: Sequence[str]) -> None:
        """Ask for topics no longer."""


class Filling:
    """One pass over everything that stands.

    Args:
        reader: it is asked without sharing, since a shared subscription is not sent what stands (MQTT 5.0
            section 4.8.2).
        root: first level of every topic.
        mark: of the memory that is filled, empty for one that was filled before.
        clock: only goes forward, in seconds.
    """

    def __init__(
        self, reader: Asker, root: str, mark: str, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.mark = mark
        self._reader = reader
        self._root = root
        self._clock = clock
        self._of_all = [[f"{root}/+/{below}"] for below in _ONCE_A_SITE]
        self._found: list[str] = []
        self._known: set[str] = set()
        self._part: list[str] = []
        self._quiet_s = 0.0
        self._began_s = self._last_s = 0.0
        self._ask()

    def saw(self, topics: Iterable[str]) -> None:
        """Note what has come of what stood."""
        for topic in topics:
            self._last_s = self._clock()
            site = topic[len(self._root) + 1 :].partition("/")[0]
            if site not in self._known:
                self._known.add(site)
                self._found.append(site)

    def step(self) -> bool:
        """Ask for the next part when one is over; return whether all is done."""
        now_s = self._clock()
        if now_s - self._last_s < self._quiet_s and now_s - self._began_s < _PART_AT_MOST_S:
            return False
        self._reader.unsubscribe(self._part)
        return not self._ask()

    def _ask(self) -> bool:
        """Ask for the next part; return whether there is one."""
        if self._of_all:
            self._part, self._quiet_s = self._of_all.pop(0), _QUIET_OF_ALL_S
        elif self._found:
            sites = self._found[:_SITES_AT_ONCE]
            del self._found[:_SITES_AT_ONCE]
            rest = [below for below in RETAINED if below not in _ONCE_A_SITE]
            self._part = [f"{self._root}/{site}/{below}" for site in sites for below in rest]
            self._quiet_s = _QUIET_S
        else:
            return False
        self._reader.subscribe(self._part, retained_too=True)
        self._began_s = self._last_s = self._clock()
        return True
