"""Speaks with the broker's dynamic-security plugin as its administrator, and reads what it answers."""

from __future__ import annotations

import contextlib
import ssl
import threading
import time
import uuid
from collections.abc import Sequence
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.access import CONTROL_TOPIC, RESPONSE_TOPIC, Command
from monitor.errors import BrokerError, Refused

_WITHIN_S = 10.0
_FIRST_FAILURE_CODE = 128  # MQTT 5.0 section 2.4: reason codes of 0x80 and above are failures


class Administrator(msgspec.Struct, frozen=True):
    """How to reach the broker as its administrator; `password` is never in a text made from this."""

    host: str
    port: int
    username: str
    password: str | None
    tls: bool = False
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""

    def __repr__(self) -> str:
        return f"Administrator({self.host}:{self.port})"


class _Answer(msgspec.Struct, frozen=True):
    command: str
    error: str | None = None
    correlation: str = msgspec.field(default="", name="correlationData")
    data: dict[str, Any] = {}


class _Answers(msgspec.Struct, frozen=True):
    responses: list[_Answer]


class Plugin:
    """An open connection to the plugin; a context manager.

    Raises:
        Refused: the broker does not take the administrator's name and password.
        BrokerError: it cannot be reached.
    """

    def __init__(self, administrator: Administrator) -> None:
        self._who = administrator
        self._place = f"broker {administrator.host}:{administrator.port}"
        self._came = threading.Condition()
        self._connected: int | None = None
        self._granted: int | None = None
        self._published: dict[int, int] = {}
        self._answers: dict[str, _Answer] = {}
        self._lost = False
        self._client = self._built()

    def _built(self) -> paho.Client:
        who = self._who
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"canister-hub-desk-{uuid.uuid4().hex[:12]}",
            protocol=paho.MQTTv5, reconnect_on_failure=False,
        )  # fmt: skip
        client.username_pw_set(who.username, who.password)
        if who.tls:
            client.tls_set_context(_tls(who))
        client.connect_timeout = _WITHIN_S
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        return client

    def __enter__(self) -> Plugin:
        try:
            self._client.connect(self._who.host, self._who.port, 30)
        except ssl.SSLError as error:
            raise BrokerError(
                f"{self._place}: TLS failed: {error.reason or error}; look at broker.tls and the port"
            ) from error
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise BrokerError(
                f"{self._place}: not reached: {reason}; see that it runs and that broker.host and "
                "broker.port are right"
            ) from error
        self._client.loop_start()
        try:
            self._begin()
        except BaseException:
            self.close()
            raise
        return self

    def _begin(self) -> None:
        self._wait(lambda: self._connected is not None, "no answer to the connection")
        if self._connected != 0:
            raise Refused(
                f"{self._place}: refuses the user {self._who.username}; look at broker.admin_username "
                "and the first line of broker.admin_password_file"
            )
        self._client.subscribe(RESPONSE_TOPIC, qos=1)
        self._wait(lambda: self._granted is not None, "no answer to the subscription")
        self._allowed(self._granted)

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Disconnect."""
        with contextlib.suppress(Exception):
            self._client.disconnect()
        with contextlib.suppress(Exception):
            self._client.loop_stop()

    def ask(self, commands: Sequence[Command]) -> list[str | None]:
        """Send commands in order; return the plugin's error for each, `None` for none.

        Raises:
            Refused: this user may not administer.
            BrokerError: the connection broke or no answer came: it is not known what was done, and
                the commands are safe to repeat.
        """
        marked = [{**c, "correlationData": uuid.uuid4().hex} for c in commands]
        marks = [str(c["correlationData"]) for c in marked]
        sent = self._client.publish(CONTROL_TOPIC, msgspec.json.encode({"commands": marked}), qos=1)
        self._wait(lambda: sent.mid in self._published, "no acknowledgement of the commands")
        self._allowed(self._published[sent.mid])
        self._wait(
            lambda: all(mark in self._answers for mark in marks),
            "no answer from its dynamic-security plugin; see that mosquitto.conf loads it",
        )
        return [self._answers.pop(mark).error for mark in marks]

    def do(self, commands: Sequence[Command], fine: Sequence[str] = ()) -> None:
        """Send commands and see that each was done.

        Args:
            commands: in order.
            fine: errors that mean that there was nothing to do.

        Raises:
            Refused: the plugin refuses one of them.
            BrokerError: as `ask`.
        """
        for command, error in zip(commands, self.ask(commands), strict=True):
            if error is not None and error not in fine:
                raise Refused(
                    f"{self._place}: its dynamic-security plugin refuses {command['command']}: {error}; "
                    "see that it runs with a rules file of its own that it may write"
                )

    def _allowed(self, code: int | None) -> None:
        if code is not None and code >= _FIRST_FAILURE_CODE:
            raise Refused(
                f"{self._place}: the user {self._who.username} may not administer it (reason {code}); "
                "broker.admin_username must have the plugin's role admin"
            )

    def _wait(self, condition: Any, otherwise: str) -> None:
        end = time.monotonic() + _WITHIN_S
        with self._came:
            while not condition():
                left = end - time.monotonic()
                if self._lost:
                    raise BrokerError(f"{self._place}: the connection broke; do it again")
                if left <= 0 or not self._came.wait(left):
                    raise BrokerError(f"{self._place}: {otherwise}")

    def _on_connect(self, _c: Any, _d: Any, _f: Any, reason: Any, _p: Any) -> None:
        with self._came:
            self._connected = int(reason.value)
            self._came.notify_all()

    def _on_disconnect(self, *_arguments: Any) -> None:
        with self._came:
            # A refused connection ends too; its reason says more.
            self._lost = self._connected in (None, 0)
            self._came.notify_all()

    def _on_subscribe(self, _c: Any, _d: Any, _mid: int, reasons: Any, _p: Any) -> None:
        with self._came:
            self._granted = int(reasons[0].value)
            self._came.notify_all()

    def _on_publish(self, _c: Any, _d: Any, mid: int, reason: Any, _p: Any) -> None:
        with self._came:
            self._published[mid] = int(reason.value)
            self._came.notify_all()

    def _on_message(self, _c: Any, _d: Any, message: Any) -> None:
        try:
            found = msgspec.json.decode(message.payload, type=_Answers)
        except msgspec.DecodeError:
            return  # not the plugin's; what is missing is told by the time that runs out
        with self._came:
            self._answers.update({a.correlation: a for a in found.responses if a.correlation})
            self._came.notify_all()


def _tls(who: Administrator) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=who.ca_file or None)
        if who.cert_file:
            context.load_cert_chain(who.cert_file, who.key_file or None)
    except (OSError, ssl.SSLError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BrokerError(
            f"broker.tls: a certificate file cannot be used: {reason}; look at ca_file, cert_file and "
            "key_file"
        ) from error
    return context
