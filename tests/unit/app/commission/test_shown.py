"""Figures of the walk in US units. The factors: NIST Handbook 44, appendix C (pound, gallon of 231 in³)."""

from __future__ import annotations

import pytest

from monitor.app.commission.shown import METRIC, Shown
from monitor.app.commission.verdicts import Sensor, judge_flow, judge_running, warmed
from monitor.records import PulseReading

US = Shown(True)
SENSOR = Sensor(450.0, 0.0, 60.0, 1800.0, 0.05)
# 75 pulses a second at 450 a litre are 600 L/h, and 600 / 3.785411784 are 158.5 US gallons an hour.
COUNTED = [PulseReading("left", 1.0, 75)] * 60


def test_flows_masses_and_temperatures() -> None:
    assert (METRIC.flow(600.0), US.flow(600.0)) == ("600 L/h", "159 gal/h")
    assert US.mass(0.45359237) == pytest.approx(1.0, rel=1e-12)
    assert US.mass_kg(20.0) == pytest.approx(9.0718474, rel=1e-12)
    assert (METRIC.mass(3.0), METRIC.mass_kg(3.0)) == (3.0, 3.0)
    assert US.temperature(25.0) == pytest.approx(77.0)
    assert (METRIC.rise(2.0), US.rise(2.0)) == ("2.0 °C", "3.6 °F")


def test_a_limit_that_is_only_confirmed_stays_to_the_last_digit() -> None:
    before_c = 22.12345
    shown = f"{US.temperature(before_c):g}"
    assert US.temperature_c(float(shown), before_c) == before_c
    assert US.temperature_c(75.0, before_c) == pytest.approx(23.89, abs=0.005)
    assert US.temperature_c(None, before_c) is None
    assert METRIC.temperature_c(21.5, None) == 21.5


def test_verdicts_speak_the_units_of_their_person() -> None:
    running = judge_running(COUNTED, SENSOR, US)
    flow = judge_flow(COUNTED, SENSOR, 0.05, None, (1e-4, 1.5e-4, 2e-4), US)
    _, warm = warmed({"28-a": 20.0}, {"28-a": 30.0}, {}, US)
    said = [running.line, *running.figures.values(), flow.line, *flow.figures.values()]
    assert not [words for words in said if "L/h" in words]
    assert running.line == "159 gal/h, steady."
    # 1e-4, 1.5e-4 and 2e-4 m³/s are 360, 540 and 720 L/h.
    assert flow.figures["clean flow predicted"] == "143 gal/h, 95 to 190"
    assert warm.line == "28-a warmed by 18.0 °F: it is this filter's."
    assert warm.figures == {"28-a": "68.0 to 86.0 °F"}
