"""The Homie sinks: a connection of their own, since `$state` needs a last will of its own.

They carry no events, only retained topics, so that they need nothing of the journal. QoS is 1, which
the convention allows beside the 2 that it recommends ("QoS choices explained"): a refusal is seen
only there, and a session that is lost is thrown away with all that could be sent out of order.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping, Sequence

from monitor.delivery.dispatcher import BATCH
from monitor.delivery.mqtt import BrokerAddress, Message, Session, hand_over
from monitor.delivery.standing import Standing
from monitor.errors import BrokerError
from monitor.records import Entry


class NoEvents:
    """A ledger without events, for sinks that only show how things stand."""

    def entries_after(self, position: int, limit: int) -> list[Entry]:
        """Return nothing."""
        return []

    def cursor(self, sink: str) -> int:
        """Return the beginning."""
        return 0

    def move_cursor(self, sink: str, position: int) -> None:
        """Never called: there is nothing to move behind."""

    def set_aside(self, sink: str, position: int, why: str) -> None:
        """Never called, for the same reason."""

    def undelivered(self, sink: str) -> int:
        """Return none."""
        return 0


class HomieSink:
    """Shows one device, from `init` over `ready` to `disconnected`, or `lost` by the last will.

    Args:
        address: the broker, with a client id that nobody else uses; asked for at every connection, so
            that a new password or certificate counts.
        state_topic: the `$state` of the device.
        gone: retained topics of earlier that must go, in this order.
    """

    name, batch = "homie", BATCH

    def __init__(
        self, address: Callable[[], BrokerAddress], state_topic: str, gone: Iterable[str] = ()
    ) -> None:
        self._ask = address
        self._address = address()  # what cannot be read is a mistake now, and bad luck later
        self._state_topic = state_topic
        self._standing = Standing()
        self._standing.take_away(gone)
        self._complete = False
        self._ready = False
        self._session: Session | None = None
        self.on_lost: Callable[[], None] = lambda: None

    def stand(self, messages: Mapping[str, bytes]) -> None:
        """Let all topics of the device show this; the first call must name every one."""
        self._standing.put(messages)
        self._complete = True

    @property
    def leaving(self) -> list[str]:
        """The topics that are still to be taken away."""
        return self._standing.leaving

    def open(self) -> None:
        """Connect, with the device in `init` until all of it is shown.

        Raises:
            BrokerError: not reached, refused, or no acknowledgement.
        """
        self._address = self._ask()
        session = Session(self._address, Message(self._state_topic, b"lost", True), self.on_lost)
        session.open()
        self._session = session
        self._ready = False
        self._standing.again()
        self._say(b"init")

    def deliver(self, entries: Sequence[Entry]) -> int:
        """Show what has changed, and `ready` once everything is there.

        Raises:
            BrokerError: the connection is gone, or the broker refuses.
        """
        session = self._session
        if session is None or not session.up:
            raise BrokerError(
                f"broker {self._address.host}:{self._address.port}: connection lost (Homie)"
            )
        complete = self._complete
        self._standing.show(self._publish)
        if complete and not self._ready and not self._standing.waiting:
            self._say(b"ready")
            self._ready = True
        return len(entries)

    def close(self, on_purpose: bool) -> None:
        """Disconnect, saying `disconnected` when it is on purpose and `lost` when it is not."""
        if on_purpose:
            with contextlib.suppress(BrokerError):
                self._standing.show(self._publish)
        session, self._session = self._session, None
        if session is not None:
            word = b"disconnected" if on_purpose else b"lost"
            session.close(Message(self._state_topic, word, True) if session.up else None)

    def _say(self, state: bytes) -> None:
        self._publish([Message(self._state_topic, state, True)])

    def _publish(self, messages: Sequence[Message]) -> int:
        return hand_over(self._session, self._address, messages)


class HomieFarewell:
    """Takes away a device that is not shown any more, then disconnects and rests.

    It uses the client id of `HomieSink`: coming back to that session keeps the broker from sending
    the last will of a run that was killed, which would bring `$state` back (MQTT 5.0 section
    3.1.3.2.2). Its own will is the removal of `$state`.

    Args:
        address: as for `HomieSink`.
        gone: the retained topics, `$state` first.
    """

    name, batch = "homie", BATCH

    def __init__(self, address: Callable[[], BrokerAddress], gone: Sequence[str]) -> None:
        self._ask = address
        self._address = address()
        self._state_topic = gone[0]
        self._standing = Standing()
        self._standing.take_away(gone)
        self._session: Session | None = None
        self.on_lost: Callable[[], None] = lambda: None

    @property
    def leaving(self) -> list[str]:
        """The topics that are still to be taken away."""
        return self._standing.leaving

    def open(self) -> None:
        """Connect, if anything is left to do.

        Raises:
            BrokerError: not reached or refused.
        """
        if self._standing.leaving:
            self._address = self._ask()
            session = Session(self._address, Message(self._state_topic, b"", True), self._gone)
            session.open()
            self._session = session
            self._standing.again()

    def deliver(self, entries: Sequence[Entry]) -> int:
        """Take away what is left, and disconnect when nothing is.

        Raises:
            BrokerError: the connection is gone, or the broker refuses.
        """
        if self._standing.leaving:
            self._standing.show(lambda m: hand_over(self._session, self._address, m))
        if not self._standing.leaving:
            self.close(True)
        return len(entries)

    def close(self, on_purpose: bool) -> None:
        """Disconnect without a word: the device does not exist any more."""
        session, self._session = self._session, None
        if session is not None:
            session.close(None)

    def _gone(self) -> None:
        if self._standing.leaving:
            self.on_lost()
