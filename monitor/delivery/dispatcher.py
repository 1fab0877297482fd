"""Takes rows of the journal to a sink, in order, and moves the sink's cursor when they are there.

Rows are events, or samples for a sink of history; a dispatcher serves one kind. A sink is three
methods; waiting, retrying, counting and the log lines are here. One failure makes one line, however
long it lasts, and its end makes another.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Generic, Protocol, TypeVar

from monitor.errors import CanisterError, MachineError, Refused, StorageError
from monitor.records import Entry, Health

_log = logging.getLogger(__name__)
# Each batch costs one commit of the cursor, some 10 ms on a card; and all of it must be acknowledged
# in time on a slow line too, 20 s for about 70 KB.
BATCH = 100
_MOST_EARLY = 200
_LOOK_EVERY_S = 1.0
_PAUSE_WHEN_HELD_S = 0.25
# Whoever asks for more than this is asked again all the same.
_LONGEST_LATER_S = 300.0


class Numbered(Protocol):
    """A row of the journal."""

    @property
    def seq(self) -> int:
        """Its number, which grows and never repeats within one journal."""

    @property
    def journal(self) -> str:
        """Which journal that is."""


Row = TypeVar("Row", bound=Numbered)
RowIn = TypeVar("RowIn", bound=Numbered, contravariant=True)


class Later(MachineError):
    """The other side is busy and says when it wants to be asked again.

    Args:
        wait_s: how long it wants to be left alone, in seconds.
        why: in one line.
    """

    def __init__(self, wait_s: float, why: str) -> None:
        self.wait_s = wait_s
        super().__init__(why)


class RowRejected(MachineError):
    """One row that the other side can never take.

    Args:
        settled: how many before it have arrived.
        why: in one line.
    """

    def __init__(self, settled: int, why: str) -> None:
        self.settled = settled
        super().__init__(why)


class Sink(Protocol[RowIn]):
    """Where rows go."""

    name: str
    batch: int  # how many rows it is given at once

    def open(self) -> None:
        """Make ready; called again after every failure.

        Raises:
            MachineError: not possible now.
        """

    def deliver(self, entries: Sequence[RowIn]) -> int:
        """Hand over rows, oldest first, and return how many of them have certainly arrived.

        Called with none when there is nothing new, so that a sink can do what else is due.

        Raises:
            RowRejected: the row after the settled ones can never be taken; it is set aside.
            MachineError: the sink must be opened again.
        """

    def close(self, on_purpose: bool) -> None:
        """Let go; harmless when called again or before `open`.

        Args:
            on_purpose: the daemon ends; else this follows a failure and nobody may be told that all
                is as wished.
        """


class Ledger(Protocol[Row]):
    """What the dispatcher needs of the journal; for events the journal itself serves."""

    def entries_after(self, position: int, limit: int) -> list[Row]:
        """Return rows above a sequence number, oldest first."""

    def cursor(self, sink: str) -> int:
        """Return the sequence number up to which a sink has everything."""

    def move_cursor(self, sink: str, position: int) -> None:
        """Note that a sink has everything up to and including this."""

    def set_aside(self, sink: str, position: int, why: str) -> None:
        """Keep on record that a sink can never take a row, and let its cursor pass it."""

    def undelivered(self, sink: str) -> int:
        """Return how many rows a sink has not got yet, at most."""


class Waits(Protocol):
    """How long to wait between tries."""

    def next_s(self) -> float:
        """Return the next wait in seconds."""

    def reset(self) -> None:
        """Begin anew after a success."""


class Dispatcher(threading.Thread, Generic[Row]):
    """Serves one sink until stopped.

    Args:
        journal: where rows and the cursor are.
        sink: where they go.
        waits: between tries after a failure.
        progress: called whenever the loop has come round.
        what: what the rows are called in `health`.
    """

    def __init__(
        self,
        journal: Ledger[Row],
        sink: Sink[Row],
        waits: Waits,
        progress: Callable[[], None] = lambda: None,
        what: str = "events",
    ) -> None:
        super().__init__(name=f"deliver-{sink.name}", daemon=True)
        self._journal = journal
        self._sink = sink
        self._waits = waits
        self._progress = progress
        self._what = what
        self._wake = threading.Event()
        self._halt = threading.Event()
        self._trouble: str | None = None
        self._open = False
        self._got: tuple[str, int] | None = None
        self.delivered = 0
        self.aside = 0
        self._early: deque[Entry] = deque(maxlen=_MOST_EARLY)
        self.refused = False

    def wake(self) -> None:
        """Say that there is something new."""
        self._wake.set()

    def tell_early(self, entries: Sequence[Entry]) -> None:
        """Let a sink for people tell of what the journal cannot take now; others wait for it."""
        if hasattr(self._sink, "tell_early"):
            self._early.extend(entries)
            self._wake.set()

    def _tell_early(self) -> None:
        tell = getattr(self._sink, "tell_early", None)
        while self._early and tell is not None:
            tell([self._early[0]])
            self._early.popleft()

    def halt(self, drain_s: float, join_s: float = 15.0) -> None:
        """Stop, after up to `drain_s` seconds for what is still to be delivered.

        Args:
            drain_s: see above.
            join_s: how long to wait for the thread's end after that.
        """
        until = time.monotonic() + drain_s
        while time.monotonic() < until and self.is_alive() and not self.drained():
            self.wake()
            time.sleep(0.05)
        self._halt.set()
        self._wake.set()
        if self.is_alive():
            self.join(timeout=join_s)

    def drained(self) -> bool:
        """Return whether the sink has every row."""
        try:
            return self._journal.undelivered(self._sink.name) == 0
        except CanisterError:
            return False

    def health(self) -> Health:
        """Say whether the sink takes what it is given."""
        part = f"delivery to {self._sink.name}"
        if self._trouble is not None:
            return Health(part, False, self._trouble, "what is undelivered stays in the journal")
        if not self.is_alive():
            return Health(part, False, "its thread is not running", "restart canister")
        aside = f", {self.aside} set aside" if self.aside else ""
        said = (
            f"{self.delivered} {self._what} delivered" if self.delivered else "nothing is waiting"
        )
        return Health(part, True, said + aside)

    def run(self) -> None:
        """Serve until halted; no error ends the thread."""
        while not self._halt.is_set():
            try:
                wait_s = self._round()
            except CanisterError as error:
                self.refused = isinstance(error, Refused)
                wait_s = self._failed(str(error))
                if isinstance(error, Later):
                    wait_s = max(wait_s, min(error.wait_s, _LONGEST_LATER_S))
            except Exception as error:
                _log.exception("delivery to %s failed unexpectedly", self._sink.name)
                wait_s = self._failed(f"{type(error).__name__}: {error}")
            self._progress()
            if wait_s > 0:
                self._wait(wait_s)
        self._sink.close(True)

    def _wait(self, wait_s: float) -> None:
        """Wait, cut short by news while all is well and by `halt` always."""
        if self._open:
            self._wake.wait(wait_s)
            return
        until = time.monotonic() + wait_s
        while not self._halt.is_set() and (left := until - time.monotonic()) > 0:
            self._halt.wait(min(left, _LOOK_EVERY_S))
            self._progress()

    def _round(self) -> float:
        if not self._open:
            self._sink.open()
            self._open = True
        self._wake.clear()
        self._tell_early()
        try:
            entries = self._waiting()
        except StorageError as error:
            self._sink.deliver(())  # what stands is shown, whatever becomes of the journal
            self._note_trouble(str(error), "what stands is shown, events wait")
            return _LOOK_EVERY_S
        try:
            settled = self._sink.deliver(entries)
        except RowRejected as why:
            return self._set_aside(entries, why)
        if settled:
            self._settle(entries[settled - 1])
            self.delivered += settled
        self._recovered()
        if settled < len(entries):
            return _PAUSE_WHEN_HELD_S
        return 0.0 if len(entries) == self._sink.batch else _LOOK_EVERY_S

    def _waiting(self) -> list[Row]:
        """The next rows; not those that have arrived while the journal could not note it."""
        position = self._journal.cursor(self._sink.name)
        entries = self._journal.entries_after(position, self._sink.batch)
        if self._got is None:
            return entries
        journal, seq = self._got
        had = [e for e in entries if e.journal == journal and e.seq <= seq]
        if had:
            self._journal.move_cursor(self._sink.name, had[-1].seq)
        self._got = None
        return entries[len(had) :]

    def _settle(self, last: Row) -> None:
        """Note that everything up to here has arrived, in memory where the journal cannot."""
        self._got = (last.journal, last.seq)
        with contextlib.suppress(StorageError):  # the next round tries again, and tells
            self._journal.move_cursor(self._sink.name, last.seq)
            self._got = None

    def _set_aside(self, entries: Sequence[Row], why: RowRejected) -> float:
        """Pass over one row, so that it does not hold up the others."""
        if why.settled >= len(entries):
            raise MachineError(str(why))  # not a row: something that stands
        seq = entries[why.settled].seq
        _log.error("%d of the %s is set aside: %s", seq, self._what, why)
        self._journal.set_aside(self._sink.name, seq, str(why))
        self.delivered += why.settled
        self.aside += 1
        return 0.0

    def _failed(self, why: str) -> float:
        self._note_trouble(why, "trying again, nothing is lost meanwhile")
        self._open = False
        self._sink.close(False)
        return self._waits.next_s()

    def _note_trouble(self, why: str, meanwhile: str) -> None:
        if self._trouble is None:
            _log.warning("%s; %s", why, meanwhile)
        self._trouble = why

    def _recovered(self) -> None:
        self._waits.reset()
        if self._trouble is not None:
            _log.info("delivery to %s works again", self._sink.name)
            self._trouble, self.refused = None, False
