"""A hub worker: takes messages from the broker, stores what they do, and only then acknowledges them.

Any number of them run, each under a name of its own. Whatever fails, a worker waits and goes on; what
it cannot take is counted and kept to be looked at.
"""

from __future__ import annotations

import logging
import threading
import time
import uuid
from collections.abc import Callable, Sequence

import msgspec

from monitor.errors import MachineError
from monitor.fleet.fold import Effect, Row, asked, effects
from monitor.fleet.messages import Message, Refused, filters, read
from monitor.hub.broker import Arrival, Broker, BrokerLost, Reader
from monitor.hub.filling import Filling
from monitor.hub.redis_link import StateError
from monitor.hub.state import DeadLetter, State

_log = logging.getLogger(__name__)
_AT_ONCE = 1000
_WAIT_S, _WAIT_FILLING_S = 0.5, 0.1
_CHORES_EVERY_S = 2.0
_ASK_AT_ONCE = 200  # sites
_EVENTS_AT_ONCE = 500
_QUESTIONS_AT_ONCE = 10
_ASK_AGAIN_S = 60.0
# Whoever fills says so all the while; one that died is followed by another after this.
_FILL_TURN_S = 20.0

LineOf = Callable[[str, Message], Sequence[str]]


class Options(msgspec.Struct, frozen=True):
    """Who a worker is and what it reads."""

    name: str
    topic_root: str = "canister"
    share: str = "hub"
    expiry_s: int = 120


class Waits:
    """How long to wait after a failure: longer each time, up to half a minute."""

    def __init__(self, first_s: float = 0.2, most_s: float = 30.0) -> None:
        self._first_s, self._most_s = first_s, most_s
        self._next_s = first_s

    def next_s(self) -> float:
        """Return the next wait."""
        wait_s, self._next_s = self._next_s, min(self._most_s, self._next_s * 2)
        return wait_s

    def reset(self) -> None:
        """Begin anew after a success."""
        self._next_s = self._first_s


class Worker:
    """Serves until stopped.

    Args:
        options: who it is.
        broker: asked for at every connection, so that a new password counts.
        state: where effects are stored.
        lines: the lines of history of a message; none where no server is configured.
        waits: between tries after a failure; it needs `next_s` and `reset`.
    """

    def __init__(
        self,
        options: Options,
        broker: Callable[[], Broker],
        state: State,
        lines: LineOf = lambda site, message: (),
        waits: Waits | None = None,
    ) -> None:
        self.name = options.name
        self._options = options
        self._broker = broker
        self._state = state
        self._lines = lines
        self._waits = waits or Waits()
        self._halt = threading.Event()
        self._chores_at_s = 0.0
        self._filling: Filling | None = None
        self._look_again = False
        self._asked: dict[tuple[str, str], float] = {}
        self._trouble: str | None = None
        self.taken = self.refused = 0

    def stop(self) -> None:
        """End after what is in hand."""
        self._halt.set()

    def run(self) -> None:
        """Serve; no error ends it."""
        while not self._halt.is_set():
            try:
                self._session()
            except MachineError as error:
                self._tell(str(error))
            except Exception as error:
                _log.exception("an unexpected failure; the connection is made anew")
                self._tell(f"{type(error).__name__}: {error}")
            self._halt.wait(self._waits.next_s() if not self._halt.is_set() else 0.0)

    def _tell(self, why: str) -> None:
        if self._trouble is None:
            _log.warning("%s; trying again, the broker keeps what comes", why)
        self._trouble = why

    def _well(self) -> None:
        self._waits.reset()
        if self._trouble is not None:
            _log.info("works again")
            self._trouble = None

    def _session(self) -> None:
        """One connection, from its beginning to its end."""
        self._state.epoch()  # no message is taken while nothing can be stored
        options = self._options
        reader = Reader(self._broker(), options.name, options.expiry_s)
        self._filling = None
        try:
            # What was said while the broker kept nothing for us is seen by what stands.
            self._look_again = not reader.open()
            reader.subscribe([f"$share/{options.share}/{f}" for f in filters(options.topic_root)])
            while not self._halt.is_set():
                if not reader.up:
                    raise BrokerLost("broker: connection lost")
                filling = self._filling
                arrivals = reader.take(_AT_ONCE, _WAIT_FILLING_S if filling else _WAIT_S)
                if arrivals:
                    self._store(arrivals)
                    reader.acknowledge(arrivals)
                if filling is not None:
                    filling.saw(one.topic for one in arrivals if one.retained)
                    self._go_on_filling(filling)
                now_s = time.monotonic()
                if now_s - self._chores_at_s >= _CHORES_EVERY_S:
                    self._chores_at_s = now_s
                    self._fill(reader)
                    self._ask_for_missing(reader, now_s)
                self._well()
        finally:
            reader.close()

    def _store(self, arrivals: Sequence[Arrival]) -> None:
        """Store what messages do; one that cannot be taken holds up none.

        Raises:
            StateError: nothing may be acknowledged.
        """
        wanted: list[Effect] = []
        dead: list[DeadLetter] = []
        for one in arrivals:
            try:
                wanted += self._effects(one)
            except Refused as why:
                dead.append(DeadLetter(why.reason, one.topic, one.payload, why.detail))
            except Exception as error:
                _log.exception("a message on %s could not be read", one.topic)
                why_not = f"{type(error).__name__}: {error}"
                dead.append(DeadLetter("our own fault", one.topic, one.payload, why_not))
        self._state.apply(wanted)
        if dead:
            self._state.refuse(dead)
        self.taken += len(arrivals)
        self.refused += len(dead)

    def _effects(self, one: Arrival) -> list[Effect]:
        site, message = read(one.topic, one.payload, self._options.topic_root)
        found = effects(site, message, one.received_s, one.retained, one.correlation)
        if not one.retained:
            found += [Row(site, line) for line in self._lines(site, message)]
        return found

    def _fill(self, reader: Reader) -> None:
        """Begin to fill an empty memory from what stands at the broker; one worker does it at a time."""
        if self._filling is not None:
            return
        is_empty = self._state.epoch() is None
        if not is_empty and not self._look_again:
            return
        # Whoever fills just now sees what we should.
        self._look_again = False
        if not self._state.claim("fill", self._options.name, _FILL_TURN_S):
            return
        mark = ""
        if is_empty:
            _log.warning(
                "the memory in redis is empty; it is filled from what stands at the broker"
            )
            mark = uuid.uuid4().hex
            self._state.begin_fill(mark)
        self._filling = Filling(reader, self._options.topic_root, mark)

    def _go_on_filling(self, filling: Filling) -> None:
        self._state.claim("fill", self._options.name, _FILL_TURN_S)
        if not filling.step():
            return
        self._filling = None
        if not filling.mark:
            return
        if self._state.end_fill(filling.mark):
            self._asked.clear()
            _log.info("the memory is filled; missed events are asked for")
        else:
            _log.warning("the memory was lost while it was filled; it is filled anew")

    def _ask_for_missing(self, reader: Reader, now_s: float) -> None:
        """Ask sites for events that they have and we have not."""
        for site, journal, newest in self._state.behind(_ASK_AT_ONCE):
            if now_s - self._asked.get((site, journal), float("-inf")) < _ASK_AGAIN_S:
                continue
            missing = self._state.missing(site, journal, newest)
            base = f"{self._options.topic_root}/{site}"
            for first, last in _questions(missing):
                order = {"order": "resend", "first": first, "last": last, "by": "hub"}
                reader.publish(
                    f"{base}/commands",
                    msgspec.json.encode(order),
                    f"{base}/answers/hub",
                    asked(journal, first, last),
                )
            if missing:
                self._asked[(site, journal)] = now_s
        if len(self._asked) > 10 * _ASK_AT_ONCE:
            self._asked = {k: t for k, t in self._asked.items() if now_s - t < _ASK_AGAIN_S}


def _questions(missing: Sequence[int]) -> list[tuple[int, int]]:
    """First and last numbers to ask for, oldest first; the others the next time."""
    found: list[tuple[int, int]] = []
    for number in missing:
        if found and number < found[-1][0] + _EVENTS_AT_ONCE:
            found[-1] = (found[-1][0], number)
        elif len(found) < _QUESTIONS_AT_ONCE:
            found.append((number, number))
        else:
            break
    return found


__all__ = ["Options", "StateError", "Waits", "Worker"]
