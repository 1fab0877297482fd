"""One MQTT session at a time, over paho-mqtt; a lost one is thrown away and built anew.

paho's own reconnecting is not used: its loop thread dies of an exception in a callback while it
still says that it is connected, and it returns without jitter. Here every callback is guarded,
and whoever owns the session watches that acknowledgements come back.
"""

from __future__ import annotations

import contextlib
import logging
import secrets
import socket
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.delivery.commands import Arrived
from monitor.delivery.dispatcher import RowRejected
from monitor.errors import BrokerError, Refused

_log = logging.getLogger(__name__)
_CONNECT_WITHIN_S = 10.0
# MQTT 5.0 section 3.4.2.1: topic name invalid, packet too large, payload format invalid. No second
# try mends these, and no other row suffers from them.
_ROWS_FAULT = frozenset({0x90, 0x95, 0x99})
_FIRST_FAILURE_CODE = 128  # MQTT 5.0 section 2.4: reason codes of 0x80 and above are failures
# The broker keeps the session this long, so that a short break loses nothing on its side either.
_SESSION_EXPIRY_S = 3600
_WILL_DELAY_S = 10
_ACKNOWLEDGED_WITHIN_S = 20.0
# What a broker has kept for us comes right after its answer; where no mark tells it from what is new,
# it is taken for kept so long after the subscription.
_KEPT_COMES_WITHIN_S = 2.0
_NOT_YET_VALID = 9  # X509_V_ERR_CERT_NOT_YET_VALID of openssl's x509_vfy.h
_LARGEST_MARK = 268_435_455  # MQTT 5.0 section 3.8.2.1.2
# As many as a broker takes when it does not say (Mosquitto's max_inflight_messages).
IN_FLIGHT = 20
_QUICKACK: int | None = getattr(socket, "TCP_QUICKACK", None)  # Linux only


class BrokerAddress(msgspec.Struct, frozen=True):
    """How to reach the broker; `password` never appears in a text made from this."""

    host: str
    port: int
    version5: bool
    client_id: str
    keepalive_s: int = 30
    username: str = ""
    password: str | None = None
    tls: bool = False
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""

    def __repr__(self) -> str:
        return f"BrokerAddress({self.host}:{self.port})"


class Message(msgspec.Struct, frozen=True):
    """One thing to publish at QoS 1; with MQTT 5 it may expire, and answer something."""

    topic: str
    payload: bytes
    retain: bool = False
    expiry_s: int | None = None
    correlation: bytes = b""


class Session:
    """A live connection. Everything is QoS 1.

    Args:
        address: the broker.
        will: what the broker says for us when we vanish.
        on_lost: called once, from another thread, when the connection is gone.
        take: gets what arrives, in the client's own thread, so that it must only note it. It is there
            before the connection: the broker hands over what it kept right after its answer.
        only_look: nothing that arrives is acknowledged, so that the broker keeps it for the next
            connection under the same client id.
    """

    def __init__(
        self,
        address: BrokerAddress,
        will: Message,
        on_lost: Callable[[], None],
        take: Callable[[Arrived], None] | None = None,
        only_look: bool = False,
    ) -> None:
        self._address = address
        self._on_lost = on_lost
        self._answered = threading.Event()
        self._answer: tuple[int, str] | None = None
        self._lost = threading.Event()
        self._granted = threading.Event()
        self._grant: int | None = None
        self._granted_at_s = float("inf")
        # Of this session's own subscription, for what comes by it; 0 where there are no marks.
        self._mark = secrets.randbelow(_LARGEST_MARK) + 1 if address.version5 else 0
        self._acks: dict[int, int] = {}
        self._awaited: set[int] = set()
        self._ack_came = threading.Condition()
        self._client = self._built(will, only_look)
        if take is not None:
            self._client.on_message = self._taking(take)

    def _built(self, will: Message, only_look: bool) -> paho.Client:
        address = self._address
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=address.client_id,
            protocol=paho.MQTTv5 if address.version5 else paho.MQTTv311,
            reconnect_on_failure=False,
            clean_session=None if address.version5 else False,
            manual_ack=only_look,
        )
        client.max_inflight_messages_set(IN_FLIGHT)
        client.max_queued_messages_set(0)
        if address.username:
            client.username_pw_set(address.username, address.password)
        if address.tls:
            client.tls_set_context(tls_context(address))
        properties = None
        if address.version5:
            properties = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
            properties.WillDelayInterval = _WILL_DELAY_S
        client.will_set(will.topic, will.payload, qos=1, retain=True, properties=properties)
        client.on_socket_open = self._guarded(_without_delay)
        client.on_connect = self._guarded(self._connected)
        client.on_connect_fail = self._guarded(self._dropped)
        client.on_disconnect = self._guarded(self._dropped)
        client.on_publish = self._guarded(self._published)
        return client

    def _guarded(self, inner: Callable[..., None]) -> Callable[..., None]:
        def callback(*arguments: Any) -> None:
            try:
                inner(*arguments)
            except Exception:
                _log.exception("an MQTT callback failed; the session is built anew")
                self._lost.set()
                with self._ack_came:
                    self._ack_came.notify_all()

        return callback

    def open(self) -> None:
        """Connect and wait for the broker's answer.

        Raises:
            Refused: the broker says no, for instance to the password, or its certificate is not accepted.
            BrokerError: it cannot be reached or does not answer in time.
        """
        address, extra = self._address, {}
        if address.version5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = _SESSION_EXPIRY_S
            extra = {"properties": properties, "clean_start": False}
        place = f"broker {address.host}:{address.port}"
        try:
            self._client.connect_timeout = _CONNECT_WITHIN_S
            self._client.connect(address.host, address.port, address.keepalive_s, **extra)  # type: ignore[arg-type]
        except ssl.SSLCertVerificationError as error:
            # Before the board's clock is right every certificate may lie in the future.
            kind = BrokerError if error.verify_code == _NOT_YET_VALID else Refused
            raise kind(
                f"{place}: TLS failed: its certificate is not accepted: {error.verify_message}; look at "
                "mqtt.tls.ca_file and mqtt.host here, and at the certificate there"
            ) from error
        except ssl.SSLError as error:
            raise BrokerError(
                f"{place}: TLS failed: {error.reason or error}; look at mqtt.tls and the port"
            ) from error
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise BrokerError(
                f"{place}: not reached: {reason}; see that it runs and that mqtt.host and mqtt.port "
                "are right"
            ) from error
        self._client.loop_start()
        if not self._answered.wait(_CONNECT_WITHIN_S) or self._answer is None:
            self.close(None)
            raise BrokerError(f"{place}: no answer within {_CONNECT_WITHIN_S:.0f} s")
        code, words = self._answer
        if code != 0:
            self.close(None)
            raise Refused(f"{place}: refused: {words}; look at mqtt.username and the password")

    def _connected(
        self, _client: Any, _data: Any, _flags: Any, reason: Any, properties: Any
    ) -> None:
        if getattr(properties, "SubscriptionIdentifierAvailable", 1) == 0:
            self._mark = 0
        self._answer = (int(reason.value), str(reason))
        self._answered.set()

    def _dropped(self, *_arguments: Any) -> None:
        first = not self._lost.is_set()
        self._lost.set()
        self._answered.set()
        with self._ack_came:
            self._ack_came.notify_all()
        if first:
            self._on_lost()

    def _published(self, client: Any, _data: Any, mid: int, reason: Any, _properties: Any) -> None:
        _acknowledge_at_once(client.socket())
        with self._ack_came:
            self._acks[mid] = int(reason.value)
            self._awaited.discard(mid)
            if not self._awaited:
                self._ack_came.notify_all()

    @property
    def up(self) -> bool:
        """Whether the connection stands, as far as can be told without sending."""
        return not self._lost.is_set() and self._client.is_connected()

    def publish(self, messages: Sequence[Message], within_s: float) -> list[int | None]:
        """Publish in order and wait for the acknowledgements.

        Returns:
            For each message the broker's reason code, `None` where none came in time. With MQTT
            3.1.1 the code is always 0: that version has no way to refuse.
        """
        mids: list[int | None] = []
        for message in messages:
            if not self.up:
                mids.append(None)
                continue
            sent = self._client.publish(
                message.topic, message.payload, 1, message.retain, self._properties(message)
            )
            mids.append(sent.mid if sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else None)
        until = time.monotonic() + within_s
        with self._ack_came:
            # One acknowledgement wakes nobody, the last one does.
            self._awaited = {mid for mid in mids if mid is not None} - self._acks.keys()
            while self._awaited and self.up:
                left = until - time.monotonic()
                if left <= 0 or not self._ack_came.wait(left):
                    break
            return [None if mid is None else self._acks.pop(mid, None) for mid in mids]

    def _properties(self, message: Message) -> Properties | None:
        if not self._address.version5 or not (message.expiry_s or message.correlation):
            return None
        found = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if message.expiry_s:
            found.MessageExpiryInterval = message.expiry_s
        if message.correlation:
            found.CorrelationData = message.correlation
        return found

    def _taking(self, take: Callable[[Arrived], None]) -> Callable[..., None]:
        def came(_client: Any, _data: Any, message: Any) -> None:
            extra = getattr(message, "properties", None)
            take(
                Arrived(
                    bytes(message.payload),
                    bool(message.retain),
                    str(getattr(extra, "ResponseTopic", "") or ""),
                    bytes(getattr(extra, "CorrelationData", b"") or b""),
                    self._has_waited(extra),
                )
            )

        return self._guarded(came)

    def _has_waited(self, extra: Any) -> bool:
        """Whether a message was kept for us from before this session's own subscription.

        The broker marks each with the identifier of the subscription by which it took it (MQTT 5.0
        section 3.3.4), and each session subscribes anew under another.
        """
        if self._mark:
            return self._mark not in (getattr(extra, "SubscriptionIdentifier", None) or ())
        return time.monotonic() < self._granted_at_s + _KEPT_COMES_WITHIN_S

    def subscribe(self, topic: str, within_s: float) -> bool:
        """Ask for what comes on a topic at QoS 1; return whether the broker allows it in time."""
        self._client.on_subscribe = self._guarded(self._subscribed)
        properties = None
        if self._mark:
            properties = Properties(PacketTypes.SUBSCRIBE)  # type: ignore[no-untyped-call]
            properties.SubscriptionIdentifier = self._mark
        self._client.subscribe(topic, qos=1, properties=properties)
        self._granted.wait(within_s)
        return self._grant is not None and accepted(self._grant)

    def _subscribed(
        self, _client: Any, _data: Any, _mid: int, reasons: Any, _properties: Any
    ) -> None:
        self._grant, self._granted_at_s = int(reasons[0].value), time.monotonic()
        self._granted.set()

    def close(self, farewell: Message | None) -> None:
        """Disconnect; with a farewell this is on purpose and the will is not sent."""
        if farewell is not None and self.up:
            self.publish([farewell], 2.0)
        with contextlib.suppress(Exception):
            self._client.disconnect()
        with contextlib.suppress(Exception):
            self._client.loop_stop()


def accepted(code: int | None) -> bool:
    """Return whether a reason code means that the broker has the message."""
    return code is not None and code < _FIRST_FAILURE_CODE


def hand_over(session: Session | None, address: BrokerAddress, messages: Sequence[Message]) -> int:
    """Publish in order; return how many leading messages were acknowledged.

    Raises:
        Refused: the broker refuses one of them.
        RowRejected: it can never take one of them.
        BrokerError: the connection is gone, or not even the first was acknowledged.
    """
    place = f"broker {address.host}:{address.port}"
    if session is None or not session.up:
        raise BrokerError(f"{place}: connection lost")
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
        raise BrokerError(f"{place}: no acknowledgement")
    if code in _ROWS_FAULT:
        raise RowRejected(settled, f"{place}: never takes this (reason {code})")
    raise Refused(
        f"{place}: refuses to take {messages[settled].topic} (reason {code}); look at its access "
        "rules for this user"
    )


def _without_delay(_client: Any, _data: Any, connection: socket.socket) -> None:
    """Send small messages at once (RFC 896 would hold one back until the last is acknowledged)."""
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _acknowledge_at_once(connection: Any) -> None:
    """Let the system acknowledge what came, and not 40 ms later.

    The broker holds back its small packets until the last one is acknowledged (RFC 896), and the
    system here waits for something to send along (RFC 1122 section 4.2.3.2). Linux forgets the wish
    after a while, so it is said with every packet.
    """
    if _QUICKACK is not None and connection is not None:
        with contextlib.suppress(OSError):
            connection.setsockopt(socket.IPPROTO_TCP, _QUICKACK, 1)


def tls_context(address: BrokerAddress) -> ssl.SSLContext:
    """Return what a connection is encrypted with.

    Raises:
        BrokerError: a certificate file cannot be used.
    """
    try:
        context = ssl.create_default_context(cafile=address.ca_file or None)
        if address.cert_file:
            context.load_cert_chain(address.cert_file, address.key_file or None)
    except (OSError, ssl.SSLError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BrokerError(
            f"mqtt.tls: a certificate file cannot be used: {reason}; look at ca_file, cert_file and "
            "key_file"
        ) from error
    return context
