"""The MQTT sink: events once each at QoS 1, and retained topics that show how things stand."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

import msgspec

from monitor.delivery import payloads
from monitor.delivery.mqtt import BrokerAddress, Message, Refused, Session, accepted
from monitor.delivery.topics import Topics
from monitor.errors import BrokerError
from monitor.records import Entry

_ACKNOWLEDGED_WITHIN_S = 20.0
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
        self._standing: dict[str, bytes] = {}
        self._unsent: set[str] = set()
        self._lock = threading.Lock()
        self._was_open = False
        self._events_from_s = 0.0

    def stand(self, topic: str, payload: bytes) -> None:
        """Let a retained topic show this from now on, and again after every new connection."""
        with self._lock:
            if self._standing.get(topic) != payload:
                self._standing[topic] = payload
                self._unsent.add(topic)

    def open(self) -> None:
        """Connect, say that the site is online, and show how everything stands.

        Raises:
            BrokerError: not reached, refused, or no acknowledgement.
        """
        will = Message(self._topics.presence, self._presence("lost", None), True)
        session = Session(self._address, will, self.on_lost)
        session.open()
        self._session = session
        with self._lock:
            self._unsent = set(self._standing)
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
        with self._lock:
            changed = [(t, self._standing[t]) for t in sorted(self._unsent)]
            self._unsent = set()
        if not changed:
            return
        try:
            self._publish([Message(topic, payload, True) for topic, payload in changed])
        except BrokerError:
            with self._lock:
                self._unsent.update(topic for topic, _ in changed)
            raise

    def _publish(self, messages: Sequence[Message]) -> int:
        """Return how many leading messages were acknowledged; raise if not even the first was."""
        session = self._session
        if session is None or not session.up:
            raise BrokerError(f"broker {self._address.host}:{self._address.port}: connection lost")
        codes = session.publish(messages, _ACKNOWLEDGED_WITHIN_S)
        settled = 0
        for code in codes:
            if not accepted(code):
                break
            settled += 1
        if settled == len(messages):
            return settled
        code = codes[settled]
        if code is None:
            if settled:
                return settled
            raise BrokerError(
                f"broker {self._address.host}:{self._address.port}: no acknowledgement"
            )
        raise Refused(
            f"broker {self._address.host}:{self._address.port}: refuses to take "
            f"{messages[settled].topic} (reason {code}); look at its access rules for this user"
        )

    def _presence(self, word: str, utc_s: float | None) -> bytes:
        return msgspec.json.encode(payloads.presence(word, self._run, utc_s, self._version))
