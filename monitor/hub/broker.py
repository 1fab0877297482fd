"""A hub worker's session at the broker: a shared subscription whose messages are acknowledged by hand.

A message is acknowledged when its effects are stored, never before. So a worker that dies keeps what
it held at the broker, under its own stable id, until it is back or the session expires; all effects may
come twice.
"""

from __future__ import annotations

import contextlib
import logging
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.errors import MachineError

_log = logging.getLogger(__name__)
_ANSWER_WITHIN_S = 10.0
IN_FLIGHT = 2000
_FIRST_FAILURE_CODE = 128  # MQTT 5.0 section 2.4
# So much may come before it is read; larger ones the broker must not even hand over (section 3.1.2.11.4).
_MOST_PACKET_BYTES = 2_000_000


class Broker(msgspec.Struct, frozen=True):
    """Where the broker is and who we are there; `password` is in no text made from this."""

    host: str
    port: int
    username: str = ""
    password: str | None = None
    context: ssl.SSLContext | None = None

    def __repr__(self) -> str:
        return f"Broker({self.host}:{self.port})"


class Arrival(msgspec.Struct, frozen=True, gc=False):
    """A message as it came; `mid` and `qos` are wanted to acknowledge it."""

    topic: str
    payload: bytes
    retained: bool
    correlation: bytes
    received_s: float
    mid: int
    qos: int


class BrokerLost(MachineError):
    """The broker is not reached, refuses, or is gone; what is not acknowledged comes again."""


class Reader:
    """One connection of one worker.

    Args:
        broker: where.
        worker: the stable id of this worker; no two may run under the same.
        expiry_s: how long the broker keeps the session of a worker that is away.
        clock: the hub's own wall clock.
    """

    def __init__(
        self, broker: Broker, worker: str, expiry_s: int, clock: Callable[[], float] = time.time
    ) -> None:
        self._broker = broker
        self._expiry_s = expiry_s
        self._clock = clock
        self._arrived: deque[Arrival] = deque()
        self._came = threading.Event()
        self._answered = threading.Event()
        self._granted = threading.Event()
        self._grants: list[int] = []
        self._code: int | None = None
        self._words = ""
        self._down = threading.Event()
        self._client = self._built(worker)

    def _built(self, worker: str) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=worker,
            protocol=paho.MQTTv5,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.max_inflight_messages_set(IN_FLIGHT)
        client.max_queued_messages_set(0)
        if self._broker.username:
            client.username_pw_set(self._broker.username, self._broker.password)
        if self._broker.context is not None:
            client.tls_set_context(self._broker.context)
        client.on_connect = self._guarded(self._connected)
        client.on_disconnect = self._guarded(self._dropped)
        client.on_message = self._guarded(self._message)
        client.on_subscribe = self._guarded(self._subscribed)
        return client

    def _guarded(self, inner: Callable[..., None]) -> Callable[..., None]:
        """An exception would end the client's thread, and it would go on calling itself connected."""

        def callback(*arguments: Any) -> None:
            try:
                inner(*arguments)
            except Exception:
                _log.exception("an MQTT callback failed; the connection is made anew")
                self._dropped()

        return callback

    def open(self) -> bool:
        """Connect; return whether the broker still had our session.

        Raises:
            BrokerLost: not reached, or refused.
        """
        place = f"broker {self._broker.host}:{self._broker.port}"
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self._expiry_s
        properties.ReceiveMaximum = IN_FLIGHT
        properties.MaximumPacketSize = _MOST_PACKET_BYTES
        try:
            self._client.connect_timeout = _ANSWER_WITHIN_S
            self._client.connect(
                self._broker.host, self._broker.port, 30, clean_start=False, properties=properties
            )
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise BrokerLost(
                f"{place}: not reached: {reason}; see that it runs and look at broker.host"
            ) from error
        self._client.loop_start()
        if not self._answered.wait(_ANSWER_WITHIN_S) or self._code is None:
            self.close()
            raise BrokerLost(f"{place}: no answer within {_ANSWER_WITHIN_S:.0f} s")
        if self._code >= _FIRST_FAILURE_CODE:
            self.close()
            raise BrokerLost(
                f"{place}: refused: {self._words}; look at broker.username and its password"
            )
        return self._had_session

    def _connected(self, _client: Any, _data: Any, flags: Any, reason: Any, _more: Any) -> None:
        self._had_session = bool(flags.session_present)
        self._code, self._words = int(reason.value), str(reason)
        self._answered.set()

    def _dropped(self, *_arguments: Any) -> None:
        self._down.set()
        self._answered.set()
        self._came.set()

    def _message(self, _client: Any, _data: Any, message: Any) -> None:
        correlation = b""
        if message.topic.endswith("/answers/hub"):
            correlation = bytes(getattr(message.properties, "CorrelationData", b"") or b"")
        self._arrived.append(
            Arrival(
                message.topic,
                message.payload,
                bool(message.retain),
                correlation,
                self._clock(),
                message.mid,
                message.qos,
            )
        )
        self._came.set()

    def subscribe(self, filters: Sequence[str], retained_too: bool = False) -> None:
        """Ask for topics at QoS 1.

        Args:
            filters: with `$share/…` for the shared subscription.
            retained_too: what stands comes now, even if it was asked for before; else it never does.
                Mosquitto would send it to each new member of a shared subscription, which the standard forbids.

        Raises:
            BrokerLost: one of them is refused, or no answer comes.
        """
        handling = (
            SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE
            if retained_too
            else SubscribeOptions.RETAIN_DO_NOT_SEND
        )
        # Only what stood before bears the mark then, not what is published to stand.
        options = [
            (each, SubscribeOptions(qos=1, retainAsPublished=False, retainHandling=handling))
            for each in filters
        ]
        self._granted.clear()
        self._client.subscribe(options)
        if not self._granted.wait(_ANSWER_WITHIN_S):
            raise BrokerLost("broker: no answer to a subscription")
        for asked, code in zip(filters, self._grants, strict=False):
            if code >= _FIRST_FAILURE_CODE:
                raise BrokerLost(
                    f"broker: does not let us read {asked} (reason {code}); look at the hub's role there"
                )

    def _subscribed(self, _client: Any, _data: Any, _mid: int, reasons: Any, _more: Any) -> None:
        self._grants = [int(reason.value) for reason in reasons]
        self._granted.set()

    def unsubscribe(self, filters: Sequence[str]) -> None:
        """Ask for topics no longer."""
        self._client.unsubscribe(list(filters))

    @property
    def up(self) -> bool:
        """Whether the connection stands, as far as can be told without sending."""
        return not self._down.is_set() and self._client.is_connected()

    def take(self, most: int, within_s: float) -> list[Arrival]:
        """Return what has come, at the most so many, waiting for the first up to some time."""
        if not self._arrived:
            self._came.wait(within_s)
        self._came.clear()
        found: list[Arrival] = []
        while self._arrived and len(found) < most:
            found.append(self._arrived.popleft())
        return found

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Say that the effects of messages are stored."""
        for one in arrivals:
            if one.qos:
                self._client.ack(one.mid, one.qos)

    def publish(
        self, topic: str, payload: bytes, answer_to: str = "", correlation: bytes = b""
    ) -> None:
        """Publish at QoS 1; whether it arrives is seen by its answer."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if answer_to:
            properties.ResponseTopic = answer_to
            properties.CorrelationData = correlation
        properties.MessageExpiryInterval = 600
        self._client.publish(topic, payload, 1, False, properties)

    def close(self) -> None:
        """Disconnect; the session stays at the broker for its time."""
        with contextlib.suppress(Exception):
            self._client.disconnect()
        with contextlib.suppress(Exception):
            self._client.loop_stop()
