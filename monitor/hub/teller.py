"""Tells people what waits in the streams: each note once, the notes of a site that come together in one.

A note is claimed on disk before it is told and settled after, so that neither a crash nor a lost Redis
makes people hear it twice, but for one that was being told when the teller died; it says so.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from typing import Protocol

import msgspec

from monitor.errors import MachineError
from monitor.fleet.messages import utc_s
from monitor.fleet.notices import TOLD_WITHIN_S, Note, Notice, note_of, notices
from monitor.hub.state import DeadLetter, State
from monitor.hub.streams import Stream, Waiting

_log = logging.getLogger(__name__)
_TAKEN_AT_ONCE = 500
_PATIENCE_S = 60.0
_TURN_S = 20.0
_LOOK_EVERY_S = 1.0
_AGAIN_AFTER_S = 10.0
_FORGET_EVERY_S = 86400.0


class Ledger(Protocol):
    """What was told, on disk."""

    def claim(self, notification: str, patience_s: float) -> bool:
        """Return whether the caller is to tell it now."""

    def is_claimed(self, notification: str) -> bool:
        """Return whether it was claimed and not told yet, by whomever."""

    def is_told(self, notification: str) -> bool:
        """Return whether it was told, and not only claimed."""

    def settle(self, notification: str) -> None:
        """Note that it was told."""

    def let_go(self, notification: str) -> None:
        """Give back what could not be told."""

    def forget_told(self, before_utc_s: float) -> int:
        """Forget what was claimed before a time; return how many."""


class _Held(msgspec.Struct):
    note: Note
    entries: list[Waiting]
    since_s: float
    again: bool


class Teller:
    """Serves until stopped; of several, one at a time tells.

    Args:
        state, stream: where notes wait.
        ledger: what was told.
        tell: hands one message to people; raises MachineError when it did not go.
        who: the name of this process.
        gather_s: the notes of a site that come within this time are one message.
        names: asked for what people call the sites.
        clock: the wall clock.
        waits: whether a note may wait now, as in quiet hours.
    """

    def __init__(
        self,
        state: State,
        stream: Stream,
        ledger: Ledger,
        tell: Callable[[Notice], None],
        who: str,
        gather_s: float,
        names: Callable[[], Mapping[str, str]] = dict,
        clock: Callable[[], float] = time.time,
        waits: Callable[[Note], bool] = lambda note: False,
    ) -> None:
        self._state = state
        self._stream = stream
        self._ledger = ledger
        self._tell = tell
        self._who = who
        self._gather_s = gather_s
        self._names = names
        self._clock = clock
        self._waits = waits
        self._held: dict[str, _Held] = {}
        self._forgot_at_s = float("-inf")
        self._halt = threading.Event()
        self._trouble: str | None = None
        self.told = 0

    def stop(self) -> None:
        """End after what is in hand; what waits, waits."""
        self._halt.set()

    def run(self) -> None:
        """Serve; no error ends it."""
        while not self._halt.is_set():
            wait_s = _LOOK_EVERY_S
            try:
                if self._state.claim("tell", self._who, _TURN_S):
                    self.turn(time.monotonic())
                    self._forget()
                if self._trouble is not None:
                    _log.info("people are told again")
                    self._trouble = None
            except MachineError as error:
                wait_s = _AGAIN_AFTER_S
                if self._trouble is None:
                    _log.warning("%s; what is to be told waits", error)
                self._trouble = str(error)
            except Exception as error:
                wait_s = _AGAIN_AFTER_S
                _log.exception("telling failed unexpectedly")
                self._trouble = f"{type(error).__name__}: {error}"
            self._halt.wait(wait_s)

    def turn(self, now_s: float) -> None:
        """Take what waits and tell what is due.

        Raises:
            MachineError: people or Redis cannot be reached; nothing is lost.
        """
        for entry in self._stream.take(_TAKEN_AT_ONCE):
            self._hold(entry, now_s)
        # The first note of a site sets the time for all of it.
        first_s: dict[str, float] = {}
        for held in self._held.values():
            site = held.note.site
            first_s[site] = min(first_s.get(site, held.since_s), held.since_s)
        # What cannot wait takes along what could.
        urgent = {h.note.site for h in self._held.values() if not self._waits(h.note)}
        due = [
            held
            for held in self._held.values()
            if held.note.site in urgent and now_s - first_s[held.note.site] >= self._gather_s
        ]
        mine = [held for held in due if self._mine(held)]
        again = frozenset(h.note.id for h in mine if h.again)
        for notice in notices([h.note for h in mine], self._names(), self._clock(), again):
            self._say(notice, {h.note.id for h in mine})

    def _forget(self) -> None:
        """Let the ledger forget what can never be told again, once in a while."""
        now_s = time.monotonic()
        if now_s - self._forgot_at_s >= _FORGET_EVERY_S:
            self._forgot_at_s = now_s
            self._ledger.forget_told(self._clock() - 2 * TOLD_WITHIN_S)

    def _hold(self, entry: Waiting, now_s: float) -> None:
        try:
            note = note_of(entry.fields.get("note", ""))
        except msgspec.DecodeError as error:
            dead = DeadLetter(
                "note cannot be read", entry.stream, str(entry.fields).encode(), str(error)
            )
            self._state.refuse([dead])
            self._stream.done([entry])
            return
        if self._clock() - utc_s(note.time) > TOLD_WITHIN_S:
            self._stream.done([entry])
            return
        held = self._held.setdefault(note.id, _Held(note, [], now_s, False))
        if all(one.id != entry.id for one in held.entries):
            held.entries.append(entry)

    def _mine(self, held: _Held) -> bool:
        """Claim it; what was told before goes, what a dead teller had claimed waits for its turn.

        Only what had been claimed may have been told before; what was merely taken from the stream was not.
        """
        held.again = held.again or self._ledger.is_claimed(held.note.id)
        if self._ledger.claim(held.note.id, _PATIENCE_S):
            return True
        if self._ledger.is_told(held.note.id):
            self._stream.done(held.entries)
            del self._held[held.note.id]
        return False

    def _say(self, notice: Notice, claimed: set[str]) -> None:
        try:
            self._tell(notice)
        except MachineError:
            for note_id in claimed & self._held.keys():
                self._ledger.let_go(note_id)
            raise
        for note in notice.notes:
            self._ledger.settle(note.id)
            self._stream.done(self._held.pop(note.id).entries)
            claimed.discard(note.id)
            self.told += 1
