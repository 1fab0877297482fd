"""A worker fills a lost memory from what stands at the broker: the real broker and the real Redis."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.hub.broker import Broker
from monitor.hub.state import State
from monitor.hub.worker import Options, Worker
from tests.bench.hub_load import publish, wanted
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


@pytest.fixture
def state(broker: Mosquitto, server: RealRedis, standing: list[Sent]) -> Iterator[State]:
    state = State(server.link(), "fleet", 4)
    worker = Worker(Options("w"), lambda: Broker("127.0.0.1", broker.port), state)
    thread = threading.Thread(target=worker.run)
    thread.start()
    yield state
    worker.stop()
    thread.join(20)
    assert not thread.is_alive()


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
    assert until(lambda: filled(state, standing), 20), differences(state, wanted(standing))


def test_a_filled_one_that_is_lost_is_filled_again(
    state: State, server: RealRedis, standing: list[Sent]
) -> None:
    assert until(lambda: filled(state, standing), 15)
    server.link().flushall()
    assert until(lambda: filled(state, standing), 20)
