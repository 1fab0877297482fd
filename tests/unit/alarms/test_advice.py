"""Whatever is raised comes with something to do, and with the caution where hands get wet.

To unplug before hands go into the water is common practice, no source. How to restart after a stop
depends on its length and is tested with the consequences.
"""

from __future__ import annotations

import itertools
import re

import pytest

from monitor.alarms.advice import advice
from monitor.alarms.watch import KINDS
from monitor.condition.averages import Averages
from monitor.condition.cause import reason
from monitor.condition.pipeline import ConditionState
from monitor.records import AlarmKind, Assessment, Cause, CleanBasis, Quality

CLEAN = 1 / 6000  # 600 L/h in m³/s
SHARES = (None, 0.0, 0.005, 0.1, 0.4, 0.7, 1.0, 1.2)
CHURNS = (0.0, 0.05, 0.2, 0.6)

PAIRS = {
    (AlarmKind.FLOW_STOPPED, Cause.PUMP_OR_POWER),
    (AlarmKind.FLOW_STOPPED, Cause.BLOCKED),
    (AlarmKind.FLOW_LOW, Cause.AIR),
    (AlarmKind.FLOW_LOW, Cause.SUDDEN_RESTRICTION),
    (AlarmKind.FLOW_LOW, Cause.MEDIA_CLOGGED),
    (AlarmKind.CLEANING_DUE, Cause.SUDDEN_RESTRICTION),
    (AlarmKind.CLEANING_DUE, Cause.AIR),
    (AlarmKind.CLEANING_DUE, Cause.MEDIA_CLOGGED),
    (AlarmKind.FLOW_UNKNOWN, Cause.SENSOR_WIRING),
    (AlarmKind.FLOW_HIGH, Cause.HOSE_OFF),
    (AlarmKind.TEMPERATURE_HIGH, Cause.HEATER_OR_ROOM),
    (AlarmKind.TEMPERATURE_LOW, Cause.HEATER_OR_ROOM),
    (AlarmKind.TEMPERATURE_UNKNOWN, Cause.PROBE_FAULT),
}

DRY = {
    AlarmKind.FLOW_UNKNOWN,
    AlarmKind.TEMPERATURE_HIGH,
    AlarmKind.TEMPERATURE_LOW,
    AlarmKind.TEMPERATURE_UNKNOWN,
}

# Parts and deeds for which a hand goes into the water or the canister.
WET = re.compile(
    r"impeller|strainer|intake|hose|tilt|clean the filter|clean it|opening the canister"
)


def times_clean(share: float | None) -> float | None:
    return None if share is None else share * CLEAN


def raised_pairs() -> set[tuple[AlarmKind, Cause]]:
    """Every pair of alarm and cause that some picture of a filter leads to."""
    found = set()
    for steady, running, day in itertools.product(SHARES, repeat=3):
        for churn, quality in itertools.product(CHURNS, Quality):
            state = ConditionState(
                averages=Averages(
                    times_clean(steady), times_clean(running), times_clean(day), churn * CLEAN
                )
            )
            flow = times_clean(steady) if quality is Quality.GOOD else None
            one = Assessment(
                "left", 1.0, flow, quality, times_clean(steady), times_clean(running), CLEAN,
                CleanBasis.MEASURED, None, Quality.MISSING, 61.0, flow is not None,
            )  # fmt: skip
            found |= {(kind, reason(kind, state, one).cause) for kind in KINDS}
    return found


def test_every_pair_that_can_be_raised_is_known_and_has_advice() -> None:
    pairs = raised_pairs()
    assert pairs == PAIRS
    assert all(advice(kind, cause) for kind, cause in pairs)


def test_every_pair_has_advice_of_its_own() -> None:
    assert len({advice(kind, cause) for kind, cause in PAIRS}) == len(PAIRS)


@pytest.mark.parametrize(("kind", "cause"), sorted(PAIRS))
def test_advice_that_sends_hands_into_water_says_to_unplug_first(
    kind: AlarmKind, cause: Cause
) -> None:
    told = advice(kind, cause)
    wet = WET.search(told.lower()) is not None
    assert wet is (kind not in DRY)
    if wet:
        assert "Switch off and unplug, with dry hands, before hands go into the water" in told


@pytest.mark.parametrize("cause", [Cause.PUMP_OR_POWER, Cause.BLOCKED, Cause.AIR])
def test_advice_on_a_stop_thinks_of_the_heater_and_the_floor_before_the_filter(
    cause: Cause,
) -> None:
    told = advice(AlarmKind.FLOW_STOPPED, cause)
    assert told.index("heaters") < told.index("water on the floor") < told.index("unplug")


@pytest.mark.parametrize("kind", [AlarmKind.FLOW_LOW, AlarmKind.CLEANING_DUE])
def test_advice_to_clean_spares_the_bacteria(kind: AlarmKind) -> None:
    """Biological media rinsed in tap water lose their bacteria: common practice, no source."""
    assert "biological media only in tank water" in advice(kind, Cause.MEDIA_CLOGGED)
