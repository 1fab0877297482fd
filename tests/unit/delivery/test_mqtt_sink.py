"""The MQTT sink with a session that is not a real one: what must not end it."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import pytest

from monitor.delivery import mqtt_sink
from monitor.delivery.commands import Arrived, Owed
from monitor.delivery.mqtt import BrokerAddress, Message
from monitor.delivery.mqtt_sink import MqttSink
from monitor.delivery.payloads import Run
from monitor.delivery.topics import Topics
from monitor.errors import StorageError
from monitor.records import Cause, CleanBasis, Entry, Event, EventKind, Order


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

    def entries_after(self, position: int, limit: int) -> list[Entry]:
        raise StorageError("journal: cannot read")


def test_an_answer_that_cannot_be_looked_up_holds_up_no_alarm(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    address = BrokerAddress("127.0.0.1", 1883, True, "x")
    topics = Topics("canister", "room")
    sink = MqttSink(lambda: address, topics, Run("journal", "run", 0.0), "1", desk=NoJournal())
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


class Kept(NoJournal):
    """A desk whose journal has the events 1 to 300, but for those between 100 and 150."""

    def entries_after(self, position: int, limit: int) -> list[Entry]:
        kept = [n for n in range(1, 301) if not 100 < n < 150 and n > position]
        return [Entry(n, "run", True, happened(n), "journal") for n in kept[:limit]]


def happened(number: int) -> Event:
    return Event("left", EventKind.OBSERVED, float(number), 1e9 + number, None, 0, None, None,
                 CleanBasis.NONE, None, Cause.FLOW_STEP, "", "")  # fmt: skip


@pytest.mark.parametrize(
    ("first", "last", "numbers", "missing"),
    [
        (5, 5, [5], []),
        (1, 99, list(range(1, 100)), []),
        (90, 260, [*range(90, 101), *range(150, 261)], [[101, 149]]),
        (110, 120, [], [[110, 120]]),
        (299, 1200, [299, 300], [[301, 1200]]),
    ],
)
def test_events_that_somebody_missed_are_sent_again_as_they_were(
    monkeypatch: pytest.MonkeyPatch,
    first: int,
    last: int,
    numbers: list[int],
    missing: list[list[int]],
) -> None:
    topics, line = Topics("canister", "room"), Line()
    address = BrokerAddress("127.0.0.1", 1883, True, "x")
    sink = MqttSink(lambda: address, topics, Run("journal", "now", 0.0), "1", desk=Kept())
    monkeypatch.setattr(sink, "_session", line)
    body = msgspec.json.encode({"order": "resend", "first": first, "last": last})
    sink._came(Arrived(body, answer_to=f"{topics.answers}/hub", correlation=b"c"))
    sink.deliver(())
    *events, answer = line.sent
    assert {m.topic for m in events} <= {topics.events}
    assert [msgspec.json.decode(m.payload)["id"] for m in events] == [
        f"room.journal.{n}" for n in numbers
    ]
    assert (answer.topic, answer.correlation) == (f"{topics.answers}/hub", b"c")
    told = msgspec.json.decode(answer.payload)
    assert told["accepted"]
    assert told["answer"] == f"done: {len(numbers)} of {last - first + 1} events sent again"
    assert (told["journal"], told["missing"]) == ("journal", missing)


def test_what_the_broker_does_not_take_is_not_called_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    """The connection tires after 104 events; what comes after is neither sent nor missing."""

    class Tired(Line):
        def publish(self, messages: Sequence[Message], within_s: float) -> list[int | None]:
            room = max(0, 104 - len(self.sent))
            answering = messages[0].topic.endswith("/hub")
            taken = list(messages) if answering else list(messages)[:room]
            self.sent += taken
            return [0] * len(taken) + [None] * (len(messages) - len(taken))

    topics, line = Topics("canister", "room"), Tired()
    address = BrokerAddress("127.0.0.1", 1883, True, "x")
    sink = MqttSink(lambda: address, topics, Run("journal", "now", 0.0), "1", desk=Kept())
    monkeypatch.setattr(sink, "_session", line)
    body = msgspec.json.encode({"order": "resend", "first": 1, "last": 300})
    sink._came(Arrived(body, answer_to=f"{topics.answers}/hub", correlation=b"c"))
    sink.deliver(())
    told = msgspec.json.decode(line.sent[-1].payload)
    assert told["answer"] == "done: 104 of 300 events sent again"
    assert told["missing"] == [[101, 149]]


@pytest.mark.parametrize(("first", "last"), [(0, 5), (7, 6), (1, 1001), (5, 0)])
def test_too_many_or_none_at_all_are_refused(
    monkeypatch: pytest.MonkeyPatch, first: int, last: int
) -> None:
    topics, line = Topics("canister", "room"), Line()
    address = BrokerAddress("127.0.0.1", 1883, True, "x")
    sink = MqttSink(lambda: address, topics, Run("journal", "now", 0.0), "1", desk=Kept())
    monkeypatch.setattr(sink, "_session", line)
    sink._came(Arrived(msgspec.json.encode({"order": "resend", "first": first, "last": last})))
    sink.deliver(())
    (answer,) = line.sent
    assert not msgspec.json.decode(answer.payload)["accepted"]
    assert "numbers from 1 that rise" in msgspec.json.decode(answer.payload)["answer"]
