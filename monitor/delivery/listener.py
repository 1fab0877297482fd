"""An MQTT subscriber of its own, to show what really arrives at the other end."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.delivery.mqtt import BrokerAddress

_SUBSCRIBED_WITHIN_S = 10.0


class Listener:
    """Subscribes to topics and hands over each message, on a thread of its own.

    Args:
        address: the broker.
        topics: filters to subscribe to at QoS 1.
        take: called with topic and payload.
    """

    def __init__(
        self, address: BrokerAddress, topics: list[str], take: Callable[[str, bytes], None]
    ) -> None:
        self._topics = topics
        self._take = take
        self._ready = threading.Event()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=address.client_id + "-listener",
            protocol=paho.MQTTv5 if address.version5 else paho.MQTTv311,
        )  # fmt: skip
        if address.username:
            self._client.username_pw_set(address.username, address.password)
        self._client.on_connect = self._connected
        self._client.on_subscribe = self._subscribed
        self._client.on_message = self._message
        self._client.reconnect_delay_set(1, 2)
        self._client.connect_async(address.host, address.port, address.keepalive_s)

    def start(self) -> bool:
        """Begin; return whether the subscription stands within ten seconds."""
        self._client.loop_start()
        return self._ready.wait(_SUBSCRIBED_WITHIN_S)

    def _connected(self, client: Any, _data: Any, _flags: Any, _reason: Any, _props: Any) -> None:
        client.subscribe([(topic, 1) for topic in self._topics])

    def _subscribed(self, *_arguments: Any) -> None:
        self._ready.set()

    def _message(self, _client: Any, _data: Any, message: Any) -> None:
        self._take(str(message.topic), bytes(message.payload))

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()
