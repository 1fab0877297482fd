"""A worker fills a lost memory from what stands at the broker: the real broker and the real Redis."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.hub import broker as hub_broker
from monitor.hub import filling
from monitor.hub.broker import Broker
from monitor.hub.state import State
from monitor.hub.worker import Options, Worker
from tests.bench.hub_load import end_session, publish, wanted
from tests.conftest import Mosquitto, until
from tests.faultrun.fleet_judge import differences
from tests.support.hub import BROKER
from tests.support.real_redis import RealRedis
from tests.support.sites import Sent, Site

SITES = 20


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    (tmp_path / "broker").mkdir()
    made = Mosquitto(tmp_path / "broker", BROKER)
    made.start()
    yield made
    made.kill()


@pytest.fixture
def server(tmp_path: Path) -> Iterator[RealRedis]:
    (tmp_path / "redis").mkdir()
    made = RealRedis(tmp_path / "redis")
    made.start()
    yield made
    made.kill()


@pytest.fixture
def standing(broker: Mosquitto) -> list[Sent]:
    """What stands of some sites; nobody says it again."""
    newest = {
        sent.topic: sent
        for number in range(SITES)
        for sent in Site(f"site_{number}", number, 2).messages
        if sent.retain
    }
    publish(broker.port, list(newest.values()), keep=True)
    return list(newest.values())


class Running:
    """A worker in a thread."""

    def __init__(self, broker: Mosquitto, state: State) -> None:
        self._worker = Worker(Options("w"), lambda: Broker("127.0.0.1", broker.port), state)
        self._thread = threading.Thread(target=self._worker.run)
        self._thread.start()

    def stop(self) -> None:
        self._worker.stop()
        self._thread.join(20)
        assert not self._thread.is_alive()


@pytest.fixture
def state(broker: Mosquitto, server: RealRedis, standing: list[Sent]) -> Iterator[State]:
    """With a worker at work."""
    state = State(server.link(), "fleet", 4)
    running = Running(broker, state)
    yield state
    running.stop()


def filled(state: State, standing: list[Sent]) -> bool:
    return state.epoch() is not None and differences(state, wanted(standing)) == []


def test_an_empty_memory_is_filled(state: State, standing: list[Sent]) -> None:
    assert until(lambda: filled(state, standing), 15)


def test_one_that_is_lost_again_while_it_is_filled_is_filled_again(
    state: State, server: RealRedis, standing: list[Sent]
) -> None:
    assert until(lambda: len(state.heard()) == SITES, 10, 0.01)
    assert state.epoch() is None, "the fill was over before it could be disturbed"
    server.link().flushall()
    assert until(lambda: filled(state, standing), 30), differences(state, wanted(standing))


def test_a_filled_one_that_is_lost_is_filled_again(
    state: State, server: RealRedis, standing: list[Sent]
) -> None:
    assert until(lambda: filled(state, standing), 15)
    server.link().flushall()
    assert until(lambda: filled(state, standing), 20)


def test_more_than_the_brokers_queue_holds_is_asked_for_in_parts(
    tmp_path: Path, server: RealRedis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """20 in flight and 40 queued are all that fit at once; the others are dropped without a word."""
    (tmp_path / "narrow").mkdir()
    narrow = Mosquitto(tmp_path / "narrow", "max_inflight_messages 0\nmax_queued_messages 40\n")
    narrow.start()
    monkeypatch.setattr(hub_broker, "IN_FLIGHT", 20)
    monkeypatch.setattr(filling, "_SITES_AT_ONCE", 10)
    sites = [Site(f"site_{number}", number, 4) for number in range(60)]
    standing = {s.topic: s for site in sites for s in site.messages if s.retain}
    assert len(standing) > 60 * 4
    publish(narrow.port, list(standing.values()), keep=True)
    state = State(server.link(), "fleet", 4)
    running = Running(narrow, state)
    try:
        assert until(lambda: state.epoch() is not None, 30)
        assert differences(state, wanted(list(standing.values()))) == []
    finally:
        running.stop()
        narrow.kill()
    assert "dropped" not in (tmp_path / "narrow" / "log").read_text(encoding="utf-8")


def test_who_comes_back_to_no_session_looks_at_what_stands_again(
    broker: Mosquitto, server: RealRedis, standing: list[Sent]
) -> None:
    """All workers were away for longer than the broker keeps their sessions."""
    state = State(server.link(), "fleet", 4)
    running = Running(broker, state)
    assert until(lambda: filled(state, standing), 15)
    running.stop()
    end_session(broker.port, "w")
    later = {s.topic: s for s in Site("site_3", 3, 5).messages if s.retain}
    publish(broker.port, list(later.values()), keep=True)
    running = Running(broker, state)
    try:
        wanted_now = wanted([*standing, *later.values()])
        assert until(lambda: differences(state, wanted_now) == [], 15)
    finally:
        running.stop()
