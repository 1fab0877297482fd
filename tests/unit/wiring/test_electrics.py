"""The formulas behind the wiring, against figures worked by hand and against circuits in small steps."""

from __future__ import annotations

import pytest

from monitor.wiring import electrics as e


def test_a_divider() -> None:
    # 10 kΩ over 15 kΩ at 5 V: 5 V · 15 / 25, by hand
    assert e.divided_v(5.0, 10e3, 15e3) == pytest.approx(3.0)


def test_a_node_with_three_branches_balances() -> None:
    """Kirchhoff: the currents into the node add up to nothing."""
    branches = [(0.5, 10e3), (0.0, 15e3), (3.3, 50e3)]
    found = e.node_v(branches)
    assert sum((v - found) / ohm for v, ohm in branches) == pytest.approx(0.0, abs=1e-12)


def test_the_corner_of_a_low_pass() -> None:
    # 1 kΩ and 1 µF: 1/(2π · 1 ms) = 159.155 Hz, by hand
    assert e.corner_hz(1e3, 1e-6) == pytest.approx(159.155, abs=0.001)


def test_a_rise_to_63_per_cent_takes_one_time_constant() -> None:
    # 1 − 1/e = 0.632121 of the final value, the definition of the time constant
    assert e.rise_s(2e-3, 1.0, 0.6321205588) == pytest.approx(2e-3)


def test_the_highest_rate_from_the_data_sheet() -> None:
    # f = 7.5 Hz per L/min, sold to 30 L/min (data sheets as sold): 225 Hz; 450 pulses a litre
    assert e.highest_rate_hz(30 * 60, 450) == pytest.approx(7.5 * 30)


def stepped_rise_s(cable_f: float, pin_f: float, kind: str) -> float:
    """The time to a pin's high level, the differential equations of both nodes in 2 ns steps."""
    cable_v = pin_v = now_s = 0.0
    step_s = 2e-9
    while pin_v < e.PIN_HIGH_V:
        if kind == "pull-up":  # 3.3 V - 10 kΩ - cable - 1 kΩ - pin
            into_cable = (3.3 - cable_v) / 10e3 - (cable_v - pin_v) / 1e3
            into_pin = (cable_v - pin_v) / 1e3
        else:  # 5 V - 10 kΩ inside the sensor - cable - 10 kΩ - pin - 15 kΩ to ground
            into_cable = (5.0 - cable_v) / 10e3 - (cable_v - pin_v) / 10e3
            into_pin = (cable_v - pin_v) / 10e3 - pin_v / 15e3
        cable_v += step_s * into_cable / cable_f
        pin_v += step_s * into_pin / pin_f
        now_s += step_s
    return now_s


@pytest.mark.parametrize("pin_f", [1e-9, 4.7e-9])
def test_one_time_constant_stands_for_both_circuits(pin_f: float) -> None:
    """Within a tenth, for two metres of cable at 100 pF a metre."""
    pull_up = e.rise_s(e.slowness_s([(10e3, 200e-12), (11e3, pin_f)]), 3.3, e.PIN_HIGH_V)
    assert pull_up == pytest.approx(stepped_rise_s(200e-12, pin_f, "pull-up"), rel=0.1)
    # seen by the cable 10 kΩ ∥ 25 kΩ, seen by the pin 20 kΩ ∥ 15 kΩ; final 5 V · 15/35
    seen = [(10 * 25 / 35 * 1e3, 200e-12), (20 * 15 / 35 * 1e3, pin_f)]
    divider = e.rise_s(e.slowness_s(seen), 5 * 15 / 35, e.PIN_HIGH_V)
    assert divider == pytest.approx(stepped_rise_s(200e-12, pin_f, "divider"), rel=0.1)
