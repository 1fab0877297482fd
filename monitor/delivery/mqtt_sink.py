"""The MQTT sink: events once each at QoS 1, and retained topics that show how things stand."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Mapping, Sequence

import msgspec

from monitor.delivery import payloads
from monitor.delivery.mqtt import BrokerAddress, Message, Refused, Session, hand_over
from monitor.delivery.standing import Standing
from monitor.delivery.topics import Topics
from monitor.records import Entry

_log = logging.getLogger(__name__)
# After a break others come back to the same broker too; those without a session of their own would
# miss what is sent before they have subscribed again.
_SETTLE_AFTER_BREAK_S = 3.0


class MqttSink:
    """Publishes to one broker.

    Args:
        address: the broker.
        topics: of this site.
        journal_id, run, version: for the ids and for presence.
        simulated: no real water is behind this; every event says so.
        on_lost: called from another thread when the connection is gone.
    """

    name = "mqtt"

    def __init__(
        self,
        address: BrokerAddress,
        topics: Topics,
        journal_id: str,
        run: str,
        version: str,
        simulated: bool = False,
        on_lost: Callable[[], None] = lambda: None,
    ) -> None:
        self._address = address
        self._topics = topics
        self._journal_id = journal_id
        self._run = run
        self._version = version
        self._simulated = simulated
        self.on_lost = on_lost
        self._session: Session | None = None
        self._standing = Standing()
        self._extras = Standing()
        self._was_open = False
        self._events_from_s = 0.0

    def stand(self, topic: str, payload: bytes) -> None:
        """Let a retained topic show this from now on, and again after every new connection."""
        self._standing.put({topic: payload})

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
        will = Message(self._topics.presence, self._presence("lost", None), True)
        session = Session(self._address, will, self.on_lost)
        session.open()
        self._session = session
        self._standing.again()
        self._extras.again()
        self._publish([Message(self._topics.presence, self._presence("online", time.time()), True)])
        self._show()
        if self._was_open:
            self._events_from_s = time.monotonic() + _SETTLE_AFTER_BREAK_S
        self._was_open = True

    def deliver(self, entries: Sequence[Entry]) -> int:
        """Publish what stands anew, then events; return how many events the broker has.

        Raises:
            BrokerError: the connection is gone, or the broker refuses.
        """
        self._show()
        if not entries or time.monotonic() < self._events_from_s:
            return 0
        return self._publish(
            [
                Message(
                    self._topics.events,
                    payloads.identified(
                        payloads.event(e.event),
                        self._topics.site,
                        self._journal_id,
                        e.run,
                        e.seq,
                        self._simulated,
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

    def _show(self) -> None:
        self._standing.show(self._publish)
        try:
            self._extras.show(self._publish)
        except Refused as error:
            self._extras.rest()
            _log.warning("%s; all else goes on", error)

    def _publish(self, messages: Sequence[Message]) -> int:
        """Return how many leading messages were acknowledged; raise if not even the first was."""
        return hand_over(self._session, self._address, messages)

    def _presence(self, word: str, utc_s: float | None) -> bytes:
        return msgspec.json.encode(payloads.presence(word, self._run, utc_s, self._version))
