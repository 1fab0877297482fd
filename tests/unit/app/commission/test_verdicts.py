"""Verdicts on figures of a commissioning step, from figures written by hand; all invented."""

from __future__ import annotations

import pytest

from monitor.app.commission.verdicts import (
    Outcome,
    Sensor,
    judge_bucket,
    judge_flow,
    judge_running,
    judge_still,
    near_mains_hz,
    unevenness,
    warmed,
)
from monitor.records import PulseReading, Quality
from monitor.sizing.bucket import Catch, k_factor
from monitor.sizing.commissioning import Commissioning

SENSOR = Sensor(450.0, 0.0, 60.0, 1800.0, 0.1)
PASSED, LOOK, FAILED = Outcome.PASSED, Outcome.LOOK, Outcome.FAILED


def counted(*pulses: int, quality: Quality = Quality.GOOD) -> list[PulseReading]:
    return [PulseReading("left", 1.0, n, quality) for n in pulses]


@pytest.mark.parametrize(
    ("readings", "outcome", "said"),
    [
        (counted(*[0] * 30), PASSED, "No pulse in 30 s"),
        (counted(3, *[0] * 29), FAILED, "may not have come to rest"),
        (counted(*[50] * 30), FAILED, "hum of the mains (50 Hz)"),
        (counted(*[60] * 30), FAILED, "hum of the mains (60 Hz)"),
        (counted(*[100] * 29, 101), FAILED, "hum of the mains (100 Hz)"),
        (counted(*[120] * 30), FAILED, "hum of the mains (120 Hz)"),
        (counted(*[57] * 30), FAILED, "57.0 pulses a second with the pump off"),
        (counted(*[5000] * 30, quality=Quality.NOISY), FAILED, "more edges than a rotor makes"),
        (counted(*[0] * 30, quality=Quality.DISCONNECTED), FAILED, "gives no counts"),
        ([], FAILED, "gives no counts"),
    ],
)
def test_with_the_pump_off_there_is_no_pulse(
    readings: list[PulseReading], outcome: Outcome, said: str
) -> None:
    judged = judge_still(readings)
    assert judged.outcome is outcome
    assert said in judged.line
    assert bool(judged.remedy) is (outcome is FAILED)


def test_how_near_the_mains_a_rate_must_be() -> None:
    assert near_mains_hz(50.15, 30.0) == 50.0  # grids keep within 0.4 % (from memory)
    assert near_mains_hz(50.5, 30.0) is None
    assert near_mains_hz(50.9, 1.0) == 50.0  # one count more or less in a second
    assert near_mains_hz(50.0, 0.0) is None


@pytest.mark.parametrize(
    ("readings", "outcome", "said"),
    [
        (counted(*[75] * 30), PASSED, "600 L/h, steady"),  # 75 Hz / 450 per litre · 3600
        (counted(*[0] * 30), FAILED, "No pulse with the pump on"),
        (counted(*[5] * 30), FAILED, "40 L/h is below"),
        (counted(*[250] * 30), FAILED, "2000 L/h is more than the sensor is sold for"),
        (counted(*[75] * 30, quality=Quality.NOISY), FAILED, "more than the sensor"),
        (counted(*[75] * 15, *[40] * 15), LOOK, "it swings by"),
    ],
)
def test_with_the_pump_on_pulses_come_steadily_within_the_sensors_range(
    readings: list[PulseReading], outcome: Outcome, said: str
) -> None:
    judged = judge_running(readings, SENSOR)
    assert judged.outcome is outcome
    assert said in judged.line


def test_single_counts_make_no_flow_uneven() -> None:
    """7.5 Hz is seven and eight pulses a second in turn; the parts of five seconds differ by one."""
    assert unevenness(counted(*[7, 8] * 15)) == 0.0
    assert unevenness(counted(*[40] * 15, *[80] * 15)) == pytest.approx(39.6 / 60)
    assert unevenness([]) == 0.0


def test_an_offset_counts() -> None:
    """f = K·Q − a: 70 Hz with a = 5 Hz and 450 per litre is (70 + 5) / 450 · 3600 = 600 L/h."""
    sensor = Sensor(450.0, 5.0, 60.0, 1800.0, 0.1)
    assert sensor.flow_l_per_h(70.0) == pytest.approx(600.0)
    assert sensor.flow_l_per_h(0.0) == 0.0


A, B, C = "28-00000000000a", "28-00000000000b", "28-00000000000c"


@pytest.mark.parametrize(
    ("before", "after", "taken", "found", "said"),
    [
        ({A: 22.0, B: 22.1}, {A: 22.3, B: 30.0}, {}, B, "warmed by 7.9 °C"),
        ({A: 22.0}, {A: 30.0}, {}, A, "warmed by 8.0 °C"),
        ({A: 22.0, B: 22.0}, {A: 29.0, B: 30.0}, {}, None, "warmed alike"),
        ({A: 30.5, B: 22.0}, {A: 31.0, B: 22.5}, {}, None, "No probe warmed by 2 °C"),
        ({A: 22.0, B: 22.0}, {A: 22.1}, {}, None, f"{B} fell silent"),
        ({A: 22.0, B: 22.0}, {A: 22.0, B: 30.0}, {B: "right"}, None, "already that of right"),
        ({}, {C: 30.0}, {}, None, "No probe gave a temperature"),
    ],
)
def test_the_probe_that_warms_most_and_clearly_is_the_filters(
    before: dict[str, float], after: dict[str, float], taken: dict[str, str],
    found: str | None, said: str,
) -> None:  # fmt: skip
    probe, judged = warmed(before, after, taken)
    assert probe == found
    assert (judged.outcome is PASSED) is (found is not None)
    assert said in judged.line


def test_a_bucket_test_against_what_was_configured() -> None:
    """JCGM 100:2008, ISO 4185:1980: 9.000 kg at 25 °C and 4100 pulses are 453.73 per litre."""
    found = k_factor([Catch(9.0, 4100), Catch(9.0, 4102), Catch(9.0, 4098)], 25.0)
    assert judge_bucket(found, 450.0).outcome is PASSED
    assert judge_bucket(found, 450.0).line.startswith("453.7 pulses per litre, ±")
    assert "factor of 60" in judge_bucket(found, 7.5).remedy
    assert "2.02 times what was configured" in judge_bucket(found, 225.0).remedy
    one = judge_bucket(k_factor([Catch(9.0, 4100)], 25.0), 450.0)
    assert one.outcome is LOOK
    assert "Three buckets or more" in one.remedy


def model(low_l_per_h: float, high_l_per_h: float) -> Commissioning:
    plausible = (low_l_per_h / 3.6e6, high_l_per_h / 3.6e6)
    return Commissioning(0.0, plausible, 0.5, None, None, None, (), "invented verdict")


@pytest.mark.parametrize(
    ("low", "high", "outcome"), [(500, 700, PASSED), (620, 700, FAILED), (400, 590, FAILED)]
)
def test_clean_flow_against_the_plausible_range(low: float, high: float, outcome: Outcome) -> None:
    judged = judge_flow(counted(*[75] * 60), SENSOR, 0.05, model(low, high), None)
    assert judged.outcome is outcome
    assert judged.figures["clean flow measured"] == "600 L/h ± 5.0% (k = 2)"
    assert judged.figures["plausible for a measurement"] == f"{low} to {high} L/h"
    assert "invented verdict" in judged.line + judged.remedy


def test_clean_flow_with_nothing_to_compare_with_or_no_flow() -> None:
    assert judge_flow(counted(*[75] * 60), SENSOR, 0.05, None, None).outcome is LOOK
    assert judge_flow(counted(*[0] * 60), SENSOR, 0.05, None, None).outcome is FAILED
