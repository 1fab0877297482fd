"""A share of the benches that no load of the machine can spoil: bytes, causes, false alarms."""

from __future__ import annotations

import pytest

from monitor.records import Cause
from tests.bench import flash_wear, score_lives


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
