"""The texts that ask the rig for a fault."""

from __future__ import annotations

import math

import pytest

from monitor.errors import UserMistake
from monitor.sensing.faults import Fault, FaultName, parse_fault

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0


@pytest.mark.parametrize(
    ("text", "name", "start_s", "end_s"),
    [
        ("stall@34d6h+90m", FaultName.STALL, 34 * DAY_S + 6 * HOUR_S, 34 * DAY_S + 7.5 * HOUR_S),
        ("air@20s", FaultName.AIR, 20.0, math.inf),
        ("kink@34.5d", FaultName.KINK, 34.5 * DAY_S, math.inf),
        ("power-cut@0s+1d", FaultName.POWER_CUT, 0.0, DAY_S),
        ("noisy-wire@1d2h3m4s", FaultName.NOISY_WIRE, 93784.0, math.inf),
        ("blocked@90m+0.5h", FaultName.BLOCKED, 90 * MINUTE_S, 120 * MINUTE_S),
        ("probe-gone@2h+2h30m", FaultName.PROBE_GONE, 2 * HOUR_S, 4.5 * HOUR_S),
        ("hose-off@1.25m+1s", FaultName.HOSE_OFF, 75.0, 76.0),
    ],
)
def test_name_start_and_length_are_read(
    text: str, name: FaultName, start_s: float, end_s: float
) -> None:
    fault = parse_fault(text)
    assert fault.name is name
    assert fault.start_s == pytest.approx(start_s)
    assert fault.end_s == pytest.approx(end_s)


@pytest.mark.parametrize("name", list(FaultName))
def test_every_fault_can_be_asked_for_by_its_name(name: FaultName) -> None:
    assert parse_fault(f"{name.value}@1h") == Fault(name, HOUR_S)


def test_an_unknown_name_is_told_with_all_known_ones() -> None:
    with pytest.raises(UserMistake) as caught:
        parse_fault("stal@1h")
    line = str(caught.value)
    assert "unknown name stal" in line
    assert all(name.value in line for name in FaultName)
    assert len(line.splitlines()) == 1


@pytest.mark.parametrize(
    "text",
    [
        "stall",
        "stall@",
        "stall@+90m",
        "stall@1h+",
        "stall@12",
        "stall@1h+90",
        "stall@-1h",
        "stall@1h+-5m",
        "stall@1w",
        "stall@1h 30m",
        "stall@1H",
        "stall@.5h",
        "stall@1.h",
        "stall@1h+2h+3h",
        "stall@1h@2h",
        "stall@nan",
        "stall@1e3s",
    ],
)
def test_a_text_of_another_form_is_answered_with_the_form(text: str) -> None:
    with pytest.raises(UserMistake, match=r"expected NAME@START or NAME@START\+LENGTH"):
        parse_fault(text)


@pytest.mark.parametrize("text", ["", "@1h", "STALL@1h", " stall@1h"])
def test_a_text_without_a_known_name_is_refused(text: str) -> None:
    with pytest.raises(UserMistake, match="unknown name"):
        parse_fault(text)


def test_a_mistake_leaves_with_exit_code_2() -> None:
    with pytest.raises(UserMistake) as caught:
        parse_fault("stall@soon")
    assert caught.value.exit_code == 2


def test_a_fault_is_there_from_its_start_up_to_but_not_at_its_end() -> None:
    fault = Fault(FaultName.STALL, 100.0, 200.0)
    assert [fault.at(t) for t in (99.9, 100.0, 199.9, 200.0)] == [False, True, True, False]


def test_a_fault_without_a_length_lasts_to_the_end() -> None:
    assert parse_fault("stall@1h").at(1e12)
