"""Gives orders to sites and waits for their answers: the board page's own session at the broker."""

from __future__ import annotations

import contextlib
import logging
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.fleet.messages import Answer
from monitor.hub.broker import Broker, BrokerLost

_log = logging.getLogger(__name__)
_FIRST_FAILURE_CODE = 128  # MQTT 5.0 section 2.4
_MOST_PACKET_BYTES = 65536
_DECODER = msgspec.json.Decoder(Answer)
# What nobody took within this time is not carried out any more: who gave it has gone on.
_EXPIRES_S = 60


class Commander:
    """One session, made when it is first wanted and made anew after it broke; for many threads.

    Args:
        broker: asked for each time anew, so that a new password is read.
        root: first level of every topic.
        below: of a site, where it answers us.
        within_s: for how long an answer is waited for.
    """

    def __init__(
        self,
        broker: Callable[[], Broker],
        root: str,
        below: str = "answers/hub-page",
        within_s: float = 10.0,
    ) -> None:
        self._broker, self._root, self._below, self.within_s = broker, root, below, within_s
        self._lock = threading.Lock()
        self._client: paho.Client | None = None
        self._waiting: dict[bytes, tuple[str, threading.Event]] = {}
        self._answers: dict[bytes, Answer] = {}

    def give(self, site: str, order: Mapping[str, Any]) -> Answer | None:
        """Send an order to a site; return its answer, `None` if none comes in time.

        Raises:
            BrokerLost: the order did not reach the broker.
        """
        client = self._session()
        correlation, came = secrets.token_bytes(12), threading.Event()
        topic = f"{self._root}/{site}/{self._below}"
        self._waiting[correlation] = (topic, came)
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ResponseTopic = topic
        properties.CorrelationData = correlation
        properties.MessageExpiryInterval = _EXPIRES_S
        until = time.monotonic() + self.within_s
        try:
            sent = client.publish(
                f"{self._root}/{site}/commands", msgspec.json.encode(order), 1, False, properties
            )
            with contextlib.suppress(ValueError, RuntimeError):
                sent.wait_for_publish(self.within_s)
            if not sent.is_published():
                raise BrokerLost("broker: it does not take the order; try again in a moment")
            came.wait(max(0.0, until - time.monotonic()))
            return self._answers.pop(correlation, None)
        finally:
            self._waiting.pop(correlation, None)

    def close(self) -> None:
        """Disconnect."""
        with self._lock:
            self._drop()

    def _session(self) -> paho.Client:
        with self._lock:
            if self._client is None or not self._client.is_connected():
                self._drop()
                self._client = self._opened()
            return self._client

    def _drop(self) -> None:
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.disconnect()
            with contextlib.suppress(Exception):
                self._client.loop_stop()
        self._client = None

    def _opened(self) -> paho.Client:
        broker = self._broker()
        place = f"broker {broker.host}:{broker.port}"
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"hub-page-{secrets.token_hex(6)}",
            protocol=paho.MQTTv5,
            reconnect_on_failure=False,
        )
        if broker.username:
            client.username_pw_set(broker.username, broker.password)
        if broker.context is not None:
            client.tls_set_context(broker.context)
        ready, said = threading.Event(), list[str]()

        def connected(_c: Any, _d: Any, _flags: Any, reason: Any, _p: Any) -> None:
            if int(reason.value) >= _FIRST_FAILURE_CODE:
                said.append(f"refused: {reason}; look at broker.username and its password")
                ready.set()
            else:
                client.subscribe(f"{self._root}/+/{self._below}", 1)

        def subscribed(_c: Any, _d: Any, _mid: int, reasons: Any, _p: Any) -> None:
            if any(int(r.value) >= _FIRST_FAILURE_CODE for r in reasons):
                said.append("does not let us read the sites' answers; look at the hub's role there")
            ready.set()

        client.on_connect, client.on_subscribe, client.on_message = (
            connected,
            subscribed,
            self._came,
        )
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = _MOST_PACKET_BYTES
        try:
            client.connect_timeout = self.within_s
            client.connect(broker.host, broker.port, 30, clean_start=True, properties=properties)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise BrokerLost(
                f"{place}: not reached: {reason}; see that it runs and look at broker.host"
            ) from error
        client.loop_start()
        if not ready.wait(self.within_s):
            said.append(f"no answer within {self.within_s:.0f} s")
        if said:
            with contextlib.suppress(Exception):
                client.disconnect()
            client.loop_stop()
            raise BrokerLost(f"{place}: {said[0]}")
        return client

    def _came(self, _client: Any, _data: Any, message: Any) -> None:
        """An exception would end the client's thread, so what is none of ours is only dropped."""
        try:
            correlation = bytes(getattr(message.properties, "CorrelationData", b"") or b"")
            topic, came = self._waiting[correlation]
            if message.topic != topic:
                return  # another site cannot answer for this one
            self._answers[correlation] = _DECODER.decode(message.payload)
            came.set()
        except (KeyError, msgspec.DecodeError, UnicodeDecodeError):
            return
