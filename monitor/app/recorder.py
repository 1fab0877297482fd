"""Puts what happens into the journal: events at once, telemetry in batches.

A journal that cannot be written stops neither measuring nor judging: events wait in memory, the
oldest samples go first, and both are told.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Sequence
from typing import TypeVar

import msgspec

from monitor.app.station import Station
from monitor.errors import StorageError
from monitor.journal.store import Journal
from monitor.records import Event, Health, Moment, Order, Sample
from monitor.settings.model import StorageSettings

_log = logging.getLogger(__name__)
_MOST_SAMPLES = 20_000
_MOST_EVENTS = 10_000
_RETRY_EVERY_S = 10.0
_LATE_MIN = 1.0  # an order that waited longer than this has used up part of its time
# A tick comes a hair early or late; a sample that is due within half of one is not put off to the next.
_EARLY_S = 0.5
# A file that came back damaged is a sign of a failing disk, so that is told for a while.
_MENDED_TOLD_FOR_S = 3600.0


class Recorder:
    """Collects samples and writes them with everything that must survive a restart."""

    def __init__(self, journal: Journal, station: Station, storage: StorageSettings) -> None:
        self._journal = journal
        self._station = station
        self._every_s = storage.sample_every_s
        self._commit_s = storage.commit_every_s
        self._events: deque[Event] = deque(maxlen=_MOST_EVENTS)
        self._samples: deque[Sample] = deque(maxlen=_MOST_SAMPLES)
        self._answers: list[tuple[int, str]] = []
        self._written: dict[str, bytes] = {}
        self._sampled_at_s = float("-inf")
        self._committed_at_s: float | None = None
        self._tried_at_s = float("-inf")
        self._trouble: str | None = None
        self._lost_events = self._lost_samples = 0
        self._mended_told_until_s = float(
            "inf"
        )  # one that was mended at the start counts from there
        self._look = True

    def orders(self, now: Moment) -> list[Event]:
        """Carry out what people asked for through the journal; return what happened."""
        events: list[Event] = []
        try:
            self._look = self._journal.changed() or self._look
            if not self._look:
                return events
            waiting = self._journal.open_orders()
            self._look = False
        except StorageError as error:
            self._failed(error)
            return events
        done = {seq for seq, _ in self._answers}
        for seq, order, made_utc_s in waiting:
            if seq in done:
                continue
            happened, answer = self._obeyed(order, made_utc_s, now)
            events += happened
            self._answers.append((seq, answer))
        return events

    def _obeyed(
        self, order: Order | None, made_utc_s: float, now: Moment
    ) -> tuple[list[Event], str]:
        if order is None:
            return [], "refused: unreadable"
        # What was to last a while and would be over by now is not begun, unless the clock may be wrong.
        late_min = max(0.0, (now.utc_s - made_utc_s) / 60.0) if now.synchronised else 0.0
        if 0.0 < order.minutes <= late_min:
            return [], f"refused: asked for {late_min:.0f} min ago, for {order.minutes:g} min"
        if order.minutes > 0.0 and late_min > _LATE_MIN:
            order = msgspec.structs.replace(order, minutes=order.minutes - late_min)
        try:
            return self._station.obey(order, now)
        except Exception:  # else it would be tried, and fail, at every start
            _log.exception("order %s failed", order.name)
            return [], "refused: an internal fault; it is in the log"

    def take(self, now: Moment, events: list[Event]) -> None:
        """Take this tick's events; write when there are any, or when the batch is due."""
        self._lost_events += _put(self._events, events)
        if now.line_s - self._sampled_at_s >= self._every_s - _EARLY_S:
            self._sampled_at_s = now.line_s
            samples = [Sample(now, seen) for seen in self._station.seen.values()]
            self._lost_samples += _put(self._samples, samples)
        if self._committed_at_s is None:
            self._committed_at_s = now.line_s
        self._mended_told_until_s = min(self._mended_told_until_s, now.line_s + _MENDED_TOLD_FOR_S)
        if self._mended_told_until_s <= now.line_s:
            self._journal.mended = None
        due = now.line_s - self._committed_at_s >= self._commit_s
        waiting = bool(self._events or self._answers or self._journal.damaged or self._trouble)
        retry = self._trouble is None or now.line_s - self._tried_at_s >= _RETRY_EVERY_S
        if (due or waiting) and (retry or events):
            self.flush(now)

    def flush(self, now: Moment) -> None:
        """Write all that waits, with the state; keep it and tell if that fails."""
        self._tried_at_s = now.line_s
        states = self._station.saved()
        # What has not changed is there already; a card wears out by being written.
        changed = {name: body for name, body in states.items() if self._written.get(name) != body}
        try:
            if self._journal.damaged is not None:
                self._journal.begin_anew({seq for seq, _ in self._answers})
                self._answers.clear()  # their numbers mean nothing in the new one
                self._mended_told_until_s = now.line_s + _MENDED_TOLD_FOR_S
                self._look = True
                changed = states
            self._journal.record(now, self._events, self._samples, changed, self._answers)
        except StorageError as error:
            self._failed(error)
            return
        self._written = states
        self._events.clear()
        self._samples.clear()
        self._answers.clear()
        self._committed_at_s = now.line_s
        if self._trouble is not None:
            _log.info("the journal can be written again%s", self._lost())
            self._trouble = None
        self._lost_events = self._lost_samples = 0

    def close(self, now: Moment) -> None:
        """Write what waits for the last time, and tell what could not be."""
        self.flush(now)
        if self._trouble is not None:
            _log.error(
                "%d events and %d samples were never written: %s",
                len(self._events) + self._lost_events,
                len(self._samples) + self._lost_samples,
                self._trouble,
            )

    def _lost(self) -> str:
        if not self._lost_events and not self._lost_samples:
            return ""
        return f"; {self._lost_events} events and {self._lost_samples} samples found no room and are lost"

    def health(self) -> Health:
        """Say whether the journal takes what is given to it."""
        if self._trouble is None and self._journal.mended is not None:
            return Health("journal", False, self._journal.mended, "look at the health of the disk")
        if self._trouble is None:
            return Health("journal", True, f"writing to {self._journal.file}")
        return Health(
            "journal",
            False,
            f"{self._trouble}; {len(self._events)} events wait in memory{self._lost()}",
            "free space on the disk, or look at its health",
        )

    def _failed(self, error: StorageError) -> None:
        if self._trouble is None:
            _log.error("%s; measuring goes on, events wait in memory", error)
        self._trouble = str(error)


_T = TypeVar("_T")


def _put(queue: deque[_T], items: Sequence[_T]) -> int:
    """Put items into a bounded queue, and return how many old ones had to go."""
    before = len(queue) + len(items)
    queue.extend(items)
    return before - len(queue)
