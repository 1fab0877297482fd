"""A share of the benches that no load of the machine can spoil: bytes, causes, false alarms, losses."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.records import Cause
from tests.bench import flash_wear, hub, hub_herd, score_lives
from tests.conftest import Mosquitto
from tests.support.real_redis import RealRedis


def test_a_day_at_rest_spares_the_card() -> None:
    try:
        (figure,) = flash_wear.measure(own_disk=False)
    except flash_wear.NoDiskError as why:
        pytest.skip(str(why))
    assert figure.met, figure


@pytest.mark.parametrize(("seed", "cause"), [(32, Cause.PUMP_OR_POWER), (59, Cause.AIR)])
def test_a_life_with_a_fault_is_told_its_cause_and_nothing_false(seed: int, cause: Cause) -> None:
    told = score_lives.watch(seed)
    assert told is not None
    assert told.cause is cause
    assert told.false == []


def test_a_crowd_of_boards_that_comes_back_at_once_loses_nothing(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "redis").mkdir()
    broker = Mosquitto(tmp_path / "broker", hub.CONF)
    redis = RealRedis(tmp_path / "redis")
    broker.start()
    redis.start()
    try:
        crowd, _ = hub_herd.herd(broker, redis, sites=500)
    finally:
        broker.kill()
        redis.kill()
    assert crowd.met, crowd
