"""Which circuit, which values: the pin is never endangered and the pulses still come through."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.wiring.plan import (
    DIVIDER_OHM,
    Circuit,
    Output,
    SensorWiring,
    circuit_for,
    figures,
    pins,
    warnings,
)

# A pin at 3.3 V: low up to 0.9 V, high from 1.6 V (board maker's documentation, voltage table).
LOW_V, HIGH_V, MOST_V = 0.9, 1.6, 3.3


def sensor(
    output: Output = Output.OPEN_COLLECTOR,
    cable_m: float = 2.0,
    rate_hz: float = 225.0,
    pin: int = 17,
) -> SensorWiring:
    return SensorWiring("left", pin, output, cable_m, rate_hz)


@pytest.mark.parametrize(
    ("output", "cable_m", "circuit"),
    [
        (Output.OPEN_COLLECTOR, 2.0, Circuit.PULL_UP),
        (Output.DRIVEN_5V, 2.0, Circuit.DIVIDER),
        (Output.UNKNOWN, 2.0, Circuit.OPTO),
        (Output.OPEN_COLLECTOR, 5.1, Circuit.OPTO),
        (Output.DRIVEN_5V, 30.0, Circuit.OPTO),
    ],
)
def test_the_circuit(output: Output, cable_m: float, circuit: Circuit) -> None:
    assert circuit_for(sensor(output, cable_m)) is circuit


@given(st.sampled_from(Output), st.floats(0.1, 100.0), st.floats(0.1, 1e6))
def test_a_pin_always_sees_levels_that_it_can_tell_and_bear(
    output: Output, cable_m: float, rate_hz: float
) -> None:
    found = figures(sensor(output, cable_m, rate_hz))
    assert found.low_v < LOW_V < HIGH_V < found.high_v <= MOST_V
    assert found.highest_v <= MOST_V


def test_no_corner_of_the_divider_reaches_the_pins_limit() -> None:
    """Every combination of 5 % too much or too little, by Ohm's law."""
    upper, lower = DIVIDER_OHM
    shares = (0.95, 1.05)
    worst = max(
        5.0 * s * lower * low / (upper * up + lower * low)
        for s, up, low in itertools.product(shares, shares, shares)
    )
    assert worst < MOST_V
    assert figures(sensor(Output.DRIVEN_5V)).highest_v == pytest.approx(worst)


@given(st.sampled_from(Output), st.floats(0.1, 5.0), st.floats(1.0, 1e5))
def test_quick_means_that_a_pulse_has_risen_long_before_it_falls(
    output: Output, cable_m: float, rate_hz: float
) -> None:
    """A pulse is high for at least 40 % of its period (data sheets as sold)."""
    found = figures(sensor(output, cable_m, rate_hz))
    if found.quick:
        assert found.rise_s <= 0.5 * 0.4 / rate_hz
    else:
        assert any(
            "more than this circuit follows" in w
            for w in warnings(sensor(output, cable_m, rate_hz), 4)
        )


def test_a_fast_sensor_gets_smaller_parts() -> None:
    slow, fast = figures(sensor(rate_hz=225)), figures(sensor(rate_hz=3900))
    assert slow.capacitor_f is not None
    assert fast.capacitor_f is not None
    assert fast.capacitor_f < slow.capacitor_f
    assert fast.quick


@pytest.mark.parametrize("pin", [0, 1, 2, 3, 14, 15])
def test_pins_with_a_life_of_their_own_are_named(pin: int) -> None:
    assert any("better left alone" in w for w in warnings(sensor(pin=pin), None))


def test_a_pin_that_the_probe_has_is_named() -> None:
    assert any("the probe's" in w for w in warnings(sensor(pin=4), 4))
    assert warnings(sensor(pin=4), None) == []


# Position on the header: the board maker's pin diagram, typed from it.
@pytest.mark.parametrize(
    ("gpio", "place"), [(2, 3), (4, 7), (17, 11), (27, 13), (22, 15), (26, 37), (21, 40), (25, 22)]
)
def test_positions_on_the_header(gpio: int, place: int) -> None:
    assert pins(sensor(pin=gpio))[0] == place


def test_each_position_is_one_thing() -> None:
    from monitor.wiring import header

    places = [*header.POWER_5V, *header.POWER_3V3, *header.GROUND, *header.GPIO]
    assert sorted(places) == list(range(1, 41))
    assert sorted(header.GPIO.values()) == list(range(28))
