"""What stands is shown once, again after a break, and what did not arrive is not forgotten."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from monitor.delivery.mqtt import Message
from monitor.delivery.standing import Standing
from monitor.errors import BrokerError


class Broker:
    """Takes so many leading messages of each batch, `None` for all."""

    def __init__(self, takes: int | None = None) -> None:
        self.takes = takes
        self.got: list[tuple[str, bytes]] = []

    def publish(self, messages: Sequence[Message]) -> int:
        taken = list(messages)[: self.takes]
        assert all(message.retain for message in messages)
        self.got += [(message.topic, message.payload) for message in taken]
        return len(taken)

    def take(self) -> list[tuple[str, bytes]]:
        got, self.got = self.got, []
        return got


def test_only_what_changed_is_shown_in_the_order_it_was_put() -> None:
    standing, broker = Standing(), Broker()
    standing.put({"b": b"1", "a": b"2"})
    standing.show(broker.publish)
    assert broker.take() == [("b", b"1"), ("a", b"2")]
    standing.put({"b": b"1", "a": b"3"})
    standing.show(broker.publish)
    assert broker.take() == [("a", b"3")]
    standing.show(broker.publish)
    assert broker.take() == []


def test_again_shows_everything_as_it_stands_now() -> None:
    standing, broker = Standing(), Broker()
    standing.put({"a": b"1", "b": b""})
    standing.show(broker.publish)
    standing.put({"a": b"2"})
    broker.take()
    standing.again()
    standing.show(broker.publish)
    assert broker.take() == [("a", b"2"), ("b", b"")]


def test_what_was_not_acknowledged_comes_first_the_next_time() -> None:
    standing, broker = Standing(), Broker(takes=1)
    standing.put({"a": b"1", "b": b"1", "c": b"1"})
    standing.show(broker.publish)
    assert standing.waiting
    standing.put({"d": b"1"})
    broker.takes = None
    standing.show(broker.publish)
    assert [topic for topic, _ in broker.take()] == ["a", "b", "c", "d"]
    assert not standing.waiting


def test_a_failure_forgets_nothing() -> None:
    standing, broker = Standing(), Broker()

    def fails(messages: Sequence[Message]) -> int:
        raise BrokerError("gone")

    standing.put({"a": b"1"})
    with pytest.raises(BrokerError):
        standing.show(fails)
    standing.show(broker.publish)
    assert broker.take() == [("a", b"1")]


def test_what_is_taken_away_is_remembered_until_the_broker_has_agreed() -> None:
    standing, broker = Standing(), Broker(takes=1)
    standing.take_away(["a", "b"])
    standing.show(broker.publish)
    assert standing.leaving == ["b"]
    broker.takes = None
    standing.show(broker.publish)
    assert standing.leaving == []
    assert broker.take() == [("a", b""), ("b", b"")]
    standing.again()
    standing.show(broker.publish)
    assert broker.take() == [], "it is forgotten then"


def test_what_is_wanted_again_stays() -> None:
    standing, broker = Standing(), Broker()
    standing.take_away(["a"])
    standing.put({"a": b"1"})
    standing.show(broker.publish)
    assert standing.leaving == []
    assert broker.take() == [("a", b"1")]


def test_rest_waits_for_the_next_connection() -> None:
    standing, broker = Standing(), Broker()
    standing.put({"a": b"1"})
    standing.rest()
    standing.show(broker.publish)
    assert broker.take() == []
    standing.again()
    standing.show(broker.publish)
    assert broker.take() == [("a", b"1")]
