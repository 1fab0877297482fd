"""Each cause from the picture that points to it. Shares and flows are invented.

That a steady loop stays near 1 % and water with air in it swings by tens of per cent is common
practice, no source.
"""

from __future__ import annotations

import pytest

from monitor.alarms.watch import KINDS
from monitor.condition.averages import Averages, follow
from monitor.condition.cause import reason
from monitor.condition.pipeline import ConditionState
from monitor.records import AlarmKind, Assessment, Cause, CleanBasis, Quality

CLEAN = 1 / 6000  # 600 L/h in m³/s


def seen(
    flow_share: float | None, quality: Quality = Quality.GOOD, unknown_s: float = 0.0
) -> Assessment:
    flow = None if flow_share is None else flow_share * CLEAN
    return Assessment(
        "left", 1.0, flow, quality, flow, flow, CLEAN, CleanBasis.MEASURED, None,
        Quality.MISSING, unknown_s, flow is not None,
    )  # fmt: skip


def means(
    steady: float | None = None,
    running: float | None = None,
    day: float | None = None,
    churn: float = 0.0,
) -> ConditionState:
    """A state whose means are these shares of clean."""
    scaled = [None if share is None else share * CLEAN for share in (steady, running, day)]
    return ConditionState(averages=Averages(*scaled, churn=churn * CLEAN))


def test_no_flow_at_all_points_to_pump_or_power() -> None:
    why = reason(AlarmKind.FLOW_STOPPED, means(0.3, 0.9, 1.0), seen(0.0))
    assert why.cause is Cause.PUMP_OR_POWER
    assert why.evidence == "no flow at all, 540 L/h in the minutes before"


def test_a_stop_of_a_filter_never_seen_running_says_so() -> None:
    why = reason(AlarmKind.FLOW_STOPPED, means(0.0), seen(0.0))
    assert why.cause is Cause.PUMP_OR_POWER
    assert why.evidence == "no flow at all, no flow seen before"


def test_a_trickle_points_to_a_blockage() -> None:
    why = reason(AlarmKind.FLOW_STOPPED, means(0.3, 0.9, 1.0), seen(0.1))
    assert why.cause is Cause.BLOCKED
    assert "10% of clean flow" in why.evidence
    assert "540 L/h" in why.evidence


def test_what_a_resting_meter_shows_is_no_trickle() -> None:
    why = reason(AlarmKind.FLOW_STOPPED, means(0.3, 0.9, 1.0), seen(0.005))
    assert why.cause is Cause.PUMP_OR_POWER


def test_low_flow_that_swings_points_to_air() -> None:
    why = reason(AlarmKind.FLOW_LOW, means(0.4, 0.45, 1.0, churn=0.2), seen(0.4))
    assert why.cause is Cause.AIR
    assert why.evidence == "flow swings by 50% about 40% of clean"


def test_low_flow_that_fell_at_once_points_to_a_sudden_restriction() -> None:
    why = reason(AlarmKind.FLOW_LOW, means(0.4, 0.9, 1.0), seen(0.4))
    assert why.cause is Cause.SUDDEN_RESTRICTION
    assert "40% of clean" in why.evidence


def test_low_flow_that_fell_slowly_points_to_the_media() -> None:
    why = reason(AlarmKind.FLOW_LOW, means(0.49, 0.5, 0.5), seen(0.49))
    assert why.cause is Cause.MEDIA_CLOGGED
    assert "49% of clean" in why.evidence


def test_cleaning_due_after_a_slow_fall_points_to_the_media() -> None:
    why = reason(AlarmKind.CLEANING_DUE, means(0.74, 0.74, 0.75), seen(0.74))
    assert why.cause is Cause.MEDIA_CLOGGED
    assert "74% of clean" in why.evidence


def test_cleaning_due_after_a_fall_within_hours_points_to_a_restriction() -> None:
    why = reason(AlarmKind.CLEANING_DUE, means(0.7, 0.7, 0.95), seen(0.7))
    assert why.cause is Cause.SUDDEN_RESTRICTION
    assert "70% of clean" in why.evidence


@pytest.mark.parametrize(
    ("quality", "words"),
    [
        (Quality.STUCK, "a signal too even to be water"),
        (Quality.NOISY, "pulses faster than any water makes them"),
        (Quality.OUT_OF_RANGE, "beyond the sensor's range"),
        (Quality.DISCONNECTED, "not there"),
        (Quality.MISSING, "no readings"),
    ],
)
def test_unknown_flow_points_to_the_sensor_and_says_what_came(quality: Quality, words: str) -> None:
    why = reason(AlarmKind.FLOW_UNKNOWN, means(1.0, 1.0, 1.0), seen(None, quality, 61.0))
    assert why.cause is Cause.SENSOR_WIRING
    assert words in why.evidence
    assert "61 s" in why.evidence


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_reason_even_when_nothing_is_known(kind: AlarmKind) -> None:
    nothing = Assessment(
        "left", 0.0, None, Quality.MISSING, None, None, None, CleanBasis.NONE, None,
        Quality.MISSING, 0.0, False,
    )  # fmt: skip
    why = reason(kind, ConditionState(), nothing)
    assert why.cause is not Cause.NONE
    assert why.evidence


def lived(seconds: list[float]) -> ConditionState:
    """The state after an hour at clean flow and then these shares of it, one a second."""
    averages = follow(Averages(), CLEAN, 3600.0, True)
    for share in seconds:
        averages = follow(averages, share * CLEAN, 1.0, share > 0.2)
    return ConditionState(averages=averages)


@pytest.mark.parametrize(
    ("seconds", "cause"),
    [
        ([0.4] * 80, Cause.SUDDEN_RESTRICTION),
        ([0.4] * 55, Cause.SUDDEN_RESTRICTION),
        ([0.7, 0.1] * 60, Cause.AIR),
        ([0.52, 0.28] * 28, Cause.AIR),
        ([1 - 0.6 * s / 36_000 for s in range(36_000)], Cause.MEDIA_CLOGGED),
        # the same slow fall with the count of a rotor that ticks by one pulse in thirty
        ([(1 - 0.6 * s / 36_000) + 0.01 * (s % 2) for s in range(36_000)], Cause.MEDIA_CLOGGED),
    ],
    ids=[
        "step",
        "step of late",
        "churn",
        "gentle churn of late",
        "fall over ten hours",
        "fall with ticks",
    ],
)
def test_low_flow_is_told_apart_from_the_course_of_the_readings(
    seconds: list[float], cause: Cause
) -> None:
    assert reason(AlarmKind.FLOW_LOW, lived(seconds), seen(0.4)).cause is cause
