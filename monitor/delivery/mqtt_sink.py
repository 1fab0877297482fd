"""The MQTT sink: events once each at QoS 1, retained topics that show how things stand, commands."""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Protocol

import msgspec

from monitor.delivery import commands, payloads
from monitor.delivery.commands import Arrived, Owed, Resend, Unreadable
from monitor.delivery.dispatcher import BATCH
from monitor.delivery.mqtt import BrokerAddress, Message, Session, accepted, hand_over
from monitor.delivery.standing import Standing
from monitor.delivery.topics import Topics
from monitor.errors import BrokerError, Refused, StorageError
from monitor.records import Entry, Order

_log = logging.getLogger(__name__)
_SUBSCRIBED_WITHIN_S = 10.0
# After a break others come back to the same broker too; those without a session of their own would
# miss what is sent before they have subscribed again.
_SETTLE_AFTER_BREAK_S = 3.0
_ANSWERED_WITHIN_S = 10.0
_MOST_WAITING, _MOST_A_ROUND = 100, 20
_MOST_EXTRAS_LOST = 3


class Desk(Protocol):
    """What the sink needs of the journal to pass on orders."""

    def order(self, order: Order, made_utc_s: float | None = None) -> int:
        """Put down an order, as of now or of a time, and return its number."""

    def answer(self, seq: int) -> str | None:
        """Return what became of an order, `None` for nothing yet."""

    def entries_after(self, position: int, limit: int) -> list[Entry]:
        """Return events above a number, oldest first."""


class MqttSink:
    """Publishes to one broker.

    Args:
        address: asked for at every connection, so that a new password or certificate counts.
        topics: of this site.
        run, version: for the ids and for presence.
        simulated: no real water is behind this; every event says so.
        on_lost: called from another thread when the connection is gone.
        desk: where commands are put down; `None` to obey none.
        wake: called when a command came.
    """

    name, batch = "mqtt", BATCH

    def __init__(
        self,
        address: Callable[[], BrokerAddress],
        topics: Topics,
        run: payloads.Run,
        version: str,
        simulated: bool = False,
        on_lost: Callable[[], None] = lambda: None,
        desk: Desk | None = None,
    ) -> None:
        self._address = address
        self._opened: BrokerAddress | None = None
        self._place = "broker"
        self._topics = topics
        self._run = run
        self._connection = 0
        self._version = version
        self._simulated = simulated
        self.on_lost = on_lost
        self._desk = desk
        self._session: Session | None = None
        self._standing = Standing()
        self._extras = Standing()
        self._extras_lost = 0
        self._was_open = False
        self._events_from_s = 0.0
        self._arrived: deque[Arrived] = deque()
        self._owed: list[Owed] = []
        self.deaf: str | None = None
        self.dropped = 0

    def stand(self, topic: str, payload: bytes, expiry_s: int | None = None) -> None:
        """Let a retained topic show this from now on, and again after every new connection.

        With an expiry it is published each time, changed or not.
        """
        self._standing.put({topic: payload}, expiry_s)

    def stand_beside(self, messages: Mapping[str, bytes], gone: Iterable[str]) -> None:
        """Let retained topics that are not ours show something, and `gone` ones show nothing.

        A broker that refuses these is told about and holds up neither events nor our own topics.
        """
        self._extras.take_away(gone)
        self._extras.put(messages)

    @property
    def leaving(self) -> list[str]:
        """The topics that are still to be taken away."""
        return self._extras.leaving

    def open(self) -> None:
        """Connect, say that the site is online, and show how everything stands.

        Raises:
            BrokerError: not reached, refused, or no acknowledgement.
        """
        address = self._opened = self._address()
        self._connection += 1
        self._place = f"broker {address.host}:{address.port}"
        will = Message(self._topics.presence, self._presence("lost", None), True)
        take = None if self._desk is None else self._came
        session = Session(address, will, self.on_lost, take)
        session.open()
        self._session = session
        self._standing.again()
        self._extras.again()
        self._publish([Message(self._topics.presence, self._presence("online", time.time()), True)])
        self._standing.show(self._publish)
        self._listen(session)
        if self._was_open:
            self._events_from_s = time.monotonic() + _SETTLE_AFTER_BREAK_S
        self._was_open = True

    def _listen(self, session: Session) -> None:
        if self._desk is None:
            return
        allowed = session.subscribe(self._topics.commands, _SUBSCRIBED_WITHIN_S)
        why = f"{self._place}: does not let us read {self._topics.commands}; commands do not come"
        deaf = None if allowed else why
        if deaf is not None and self.deaf is None:
            _log.warning("%s; look at its access rules", deaf)
        self.deaf = deaf

    def _came(self, arrived: Arrived) -> None:
        if len(self._arrived) >= _MOST_WAITING:
            self.dropped += 1  # more than people give; who floods gets no answer
            return
        self._arrived.append(arrived)
        self.on_lost()  # wakes the thread that serves us

    def deliver(self, entries: Sequence[Entry]) -> int:
        """Publish what stands anew, answers, then events; return how many events the broker has.

        Raises:
            BrokerError: the connection is gone, or the broker refuses.
            RowRejected: one event can never be taken.
        """
        self._standing.show(self._publish)
        self._serve()
        arrived = 0
        if entries and time.monotonic() >= self._events_from_s:
            arrived = self._publish_events(entries)
        if arrived == len(entries):
            self._show_beside()
        return arrived

    def _publish_events(self, entries: Sequence[Entry]) -> int:
        return self._publish(
            [
                Message(
                    self._topics.events,
                    payloads.identified(
                        payloads.event(e.event),
                        self._topics.site,
                        e.journal or self._run.journal,
                        e.run,
                        e.seq,
                        self._simulated,
                        e.synchronised,
                    ),
                )
                for e in entries
            ]
        )

    def close(self, on_purpose: bool) -> None:
        """Disconnect, saying "stopped" when it is on purpose and "lost" when it is not."""
        session, self._session = self._session, None
        if session is not None:
            farewell = Message(
                self._topics.presence,
                self._presence("stopped" if on_purpose else "lost", time.time()),
                True,
            )
            session.close(farewell if session.up else None)

    def _show_beside(self) -> None:
        """Show what is not ours, after all that is; what the broker cannot stand is left out."""
        try:
            self._extras.show(self._publish)
        except Refused as error:
            self._extras.rest()
            _log.warning("%s; all else goes on", error)
        except BrokerError as error:
            # A broker may cut the line for it, at each connection anew.
            self._extras_lost += 1
            if self._extras_lost == _MOST_EXTRAS_LOST:
                _log.warning(
                    "%s, for the announcements to home automation; they are left out", error
                )
                self._extras.forget()
            raise

    def _serve(self) -> None:
        """Put down the commands that came, and answer those that are done."""
        desk, now_s = self._desk, time.monotonic()
        if desk is None:
            return
        for _ in range(_MOST_A_ROUND):
            if not self._arrived or len(self._owed) >= _MOST_WAITING:
                break
            self._take(desk, self._arrived.popleft(), now_s)
        if not self._owed:
            return
        answers = [_answer_of(desk, one.seq) for one in self._owed]
        ready, self._owed = commands.settled(self._owed, answers, now_s)
        for one, said in ready:
            self._answer(one.to, one.correlation, one.order, one.filter_id, said)

    def _take(self, desk: Desk, arrived: Arrived, now_s: float) -> None:
        to = commands.answer_topic(arrived.answer_to, self._topics.answers)
        try:
            order, made_utc_s = commands.read(arrived)
            if isinstance(order, Resend):
                said, gone = self._send_again(desk, order)
                more = {"journal": self._run.journal, "missing": gone}
                self._answer(to, arrived.correlation, commands.RESEND, None, said, more)
                return
            seq = desk.order(order, made_utc_s)
        except (Unreadable, StorageError) as why:
            _log.warning("a command over MQTT is refused: %s", why)
            self._answer(to, arrived.correlation, None, None, f"refused: {why}")
            return
        until_s = now_s + _ANSWERED_WITHIN_S
        self._owed.append(Owed(seq, order.name, order.filter_id, to, arrived.correlation, until_s))

    def _send_again(self, desk: Desk, wanted: Resend) -> tuple[str, list[tuple[int, int]]]:
        """Publish events once more, as they were; return the answer, and which the journal has not."""
        there: list[int] = []
        position, until = wanted.first - 1, wanted.last
        while entries := desk.entries_after(position, BATCH):
            position = entries[-1].seq
            part = [e for e in entries if e.seq <= wanted.last]
            sent = self._publish_events(part) if part else 0
            there += [e.seq for e in part[:sent]]
            if sent < len(part):
                until = part[sent].seq - 1  # what the broker did not take is not gone
            if sent < BATCH:
                break
        said = f"done: {len(there)} of {wanted.last - wanted.first + 1} events sent again"
        return said, commands.gaps(wanted.first, there, until)

    def _answer(
        self,
        to: str,
        correlation: bytes,
        order: str | None,
        filter_id: str | None,
        said: str,
        more: Mapping[str, Any] | None = None,
    ) -> None:
        """Answer; that a stranger's answer cannot be sent is no reason to hold up alarms."""
        fields = payloads.answer(time.time(), order, filter_id, said)
        body = msgspec.json.encode(
            {**fields, "site": self._topics.site, "run": self._run.id, **(more or {})}
        )
        session = self._session
        if session is None:
            return
        codes = session.publish([Message(to, body, correlation=correlation)], _SUBSCRIBED_WITHIN_S)
        if not accepted(codes[0]):
            _log.warning("%s: does not take the answer to a command (reason %s)", to, codes[0])

    def _publish(self, messages: Sequence[Message]) -> int:
        """Return how many leading messages were acknowledged; raise if not even the first was."""
        return hand_over(self._session, self._opened or self._address(), messages)

    def _presence(self, word: str, utc_s: float | None) -> bytes:
        fields: dict[str, Any] = payloads.presence(
            word, self._run, self._connection, utc_s, self._version
        )
        return msgspec.json.encode({**fields, "site": self._topics.site})


def _answer_of(desk: Desk, seq: int) -> str | None:
    """The answer to an order; a journal that cannot be read is no reason to give up the session."""
    try:
        return desk.answer(seq)
    except StorageError:
        return None
