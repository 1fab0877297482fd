"""Orders to sites over a real broker: who answers, who cannot, and what happens when nobody does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.delivery import payloads
from monitor.hub.broker import Broker, BrokerLost
from monitor.hub.orders import Commander
from tests.conftest import Mosquitto, free_port, until

ORDER = {
    "order": "acknowledge",
    "filter": "left",
    "alarm": "flow-stopped",
    "occurrence": 3,
    "by": "Ada",
}


class Responder:
    """Sees every order; what it publishes for one is up to the test."""

    def __init__(self, port: int, answer: Callable[[Any], tuple[str, bytes] | None]) -> None:
        self.orders: list[tuple[str, dict[str, Any]]] = []
        self._answer = answer
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.on_message = self._came
        self.client.on_connect = lambda *_: self.client.subscribe("canister/+/commands", 1)
        ready: list[int] = []
        self.client.on_subscribe = lambda *_: ready.append(1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert until(lambda: bool(ready), 10)

    def _came(self, _client: Any, _data: Any, message: Any) -> None:
        self.orders.append((message.topic, msgspec.json.decode(message.payload)))
        found = self._answer(message)
        if found is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.CorrelationData = message.properties.CorrelationData
            self.client.publish(found[0], found[1], 1, False, properties)

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def body(said: str) -> bytes:
    return msgspec.json.encode(payloads.answer(1.79e9, "acknowledge", "left", said))


@pytest.fixture
def commander(mosquitto: Mosquitto) -> Iterator[Commander]:
    made = Commander(lambda: Broker("127.0.0.1", mosquitto.port), "canister", within_s=3.0)
    yield made
    made.close()


def test_the_site_that_was_asked_answers(commander: Commander, mosquitto: Mosquitto) -> None:
    site = Responder(mosquitto.port, lambda m: (m.properties.ResponseTopic, body("done: heard")))
    answer = commander.give("home", ORDER)
    assert answer is not None
    assert (answer.accepted, answer.answer) == (True, "done: heard")
    assert site.orders == [("canister/home/commands", ORDER)]
    # The broker goes and comes back: the next order makes a new session.
    site.stop()
    mosquitto.kill()
    assert until(lambda: commander._client is not None and not commander._client.is_connected(), 10)
    with pytest.raises(BrokerLost, match="not reached"):
        commander.give("home", ORDER)
    mosquitto.start()
    site = Responder(mosquitto.port, lambda m: (m.properties.ResponseTopic, body("refused: no")))
    answer = commander.give("home", ORDER)
    assert answer is not None
    assert (answer.accepted, answer.answer) == (False, "refused: no")
    site.stop()


def test_no_other_site_can_answer_and_nonsense_is_no_answer(
    commander: Commander, mosquitto: Mosquitto
) -> None:
    evil = Responder(
        mosquitto.port, lambda _: ("canister/evil/answers/hub-page", body("done: all"))
    )
    assert commander.give("home", ORDER) is None
    evil.stop()
    broken = Responder(mosquitto.port, lambda m: (m.properties.ResponseTopic, b"{nonsense"))
    assert commander.give("home", ORDER) is None
    assert len(broken.orders) == 1
    broken.stop()


def test_a_broker_that_refuses_is_named(tmp_path: Path) -> None:
    (tmp_path / "closed").mkdir()
    port = free_port()
    closed = Mosquitto(tmp_path / "closed", listener=f"listener {port} 127.0.0.1\n"
                       "allow_anonymous false\n")  # fmt: skip
    closed.port = port
    closed.start()
    made = Commander(lambda: Broker("127.0.0.1", port, "hub", "wrong"), "canister", within_s=3.0)
    try:
        with pytest.raises(BrokerLost, match=r"refused|no answer"):
            made.give("home", ORDER)
    finally:
        made.close()
        closed.kill()
