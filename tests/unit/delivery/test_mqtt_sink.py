"""The MQTT sink with a session that is not a real one: what must not end it."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import pytest

from monitor.delivery import mqtt_sink
from monitor.delivery.commands import Owed
from monitor.delivery.mqtt import BrokerAddress, Message
from monitor.delivery.mqtt_sink import MqttSink
from monitor.delivery.topics import Topics
from monitor.errors import StorageError
from monitor.records import Order


class Line:
    """A session that takes everything."""

    up = True

    def __init__(self) -> None:
        self.sent: list[Message] = []

    def publish(self, messages: Sequence[Message], within_s: float) -> list[int | None]:
        self.sent += messages
        return [0] * len(messages)


class NoJournal:
    """A desk whose journal cannot be read."""

    def order(self, order: Order, made_utc_s: float | None = None) -> int:
        raise StorageError("journal: cannot write")

    def answer(self, seq: int) -> str | None:
        raise StorageError("journal: cannot read")


def test_an_answer_that_cannot_be_looked_up_holds_up_no_alarm(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    address = BrokerAddress("127.0.0.1", 1883, True, "x")
    topics = Topics("canister", "room")
    sink = MqttSink(lambda: address, topics, "journal", "run", "1", desk=NoJournal())
    line = Line()
    monkeypatch.setattr(sink, "_session", line)
    monkeypatch.setattr(mqtt_sink.time, "monotonic", lambda: 100.0)
    sink._owed = [Owed(1, "cleaned", "left", topics.answers, b"", 105.0)]
    sink.stand("canister/room/alarms/x", b"{}")
    assert sink.deliver(()) == 0
    assert [m.topic for m in line.sent] == ["canister/room/alarms/x"]
    monkeypatch.setattr(mqtt_sink.time, "monotonic", lambda: 106.0)
    sink.deliver(())
    told = msgspec.json.decode(line.sent[-1].payload)
    assert told["answer"] == "noted; not carried out yet"
    assert (told["site"], told["run"]) == ("room", "run")
