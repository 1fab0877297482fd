"""Which circuit suits a sensor, with which values, and what they come to.

The pull-up is 10 kΩ where that is quick enough: it takes little current from the sensor. The
capacitor is the largest that leaves the rise within a tenth of the shortest high part of a pulse: the
more it filters, the less a pump's hum in the cable is counted.
"""

from __future__ import annotations

import itertools
from enum import StrEnum

import msgspec

from monitor.wiring import electrics as e
from monitor.wiring.header import SPOKEN_FOR, nearest_ground, position

LONG_CABLE_M = 5.0
"""From here on an opto-coupler is drawn whatever the output is (common practice, no source)."""
LONG_BUS_M = 10.0
"""A 1-Wire bus on a plain pin should be no longer (from memory)."""
SERIES_OHM = 1e3
LED_OHM = 1e3
DIVIDER_OHM = (10e3, 15e3)
PROBE_OHM = 4.7e3
PULL_UPS_OHM = (10e3, 4.7e3, 2.2e3)
CAPACITORS_F = (10e-9, 4.7e-9, 2.2e-9, 1e-9)
_RISE_SHARE = 0.1


class Output(StrEnum):
    """What a sensor's output does, as measured."""

    UNKNOWN = "unknown"
    OPEN_COLLECTOR = "open-collector"
    DRIVEN_5V = "driven-5v"


class Circuit(StrEnum):
    """How a sensor reaches its pin."""

    PULL_UP = "pull-up"
    DIVIDER = "divider"
    OPTO = "opto-coupler"


class SensorWiring(msgspec.Struct, frozen=True):
    """One flow sensor: its filter's id, BCM pin, output, cable in m, highest pulse rate in Hz."""

    filter_id: str
    pin: int
    output: Output
    cable_m: float
    rate_hz: float


class Figures(msgspec.Struct, frozen=True):
    """What the values come to: volts at the pin, low and high; corner in Hz, rise in s, mA.

    `pull_up_ohm`, `capacitor_f` and `corner_hz` are `None` where the circuit has none. `quick` says whether the
    circuit can follow the highest pulse rate.
    """

    circuit: Circuit
    pull_up_ohm: float | None
    capacitor_f: float | None
    low_v: float
    high_v: float
    highest_v: float
    corner_hz: float | None
    rise_s: float
    sink_ma: float
    quick: bool


def circuit_for(sensor: SensorWiring) -> Circuit:
    """Return the circuit: the opto-coupler where the output is not known or the cable is long."""
    if sensor.output is Output.UNKNOWN or sensor.cable_m > LONG_CABLE_M:
        return Circuit.OPTO
    return Circuit.PULL_UP if sensor.output is Output.OPEN_COLLECTOR else Circuit.DIVIDER


def figures(sensor: SensorWiring) -> Figures:
    """Return values and what they come to, for this sensor's pulse rate and cable."""
    circuit = circuit_for(sensor)
    shortest_high_s = e.SHORTEST_HIGH_SHARE / sensor.rate_hz
    if circuit is Circuit.OPTO:
        return _opto(shortest_high_s)
    cable_f = sensor.cable_m * e.CABLE_F_PER_M
    if circuit is Circuit.DIVIDER:
        tries = [_divider(c, cable_f, shortest_high_s) for c in CAPACITORS_F]
    else:
        tries = [
            _pull_up(r, c, cable_f, shortest_high_s)
            for r, c in itertools.product(PULL_UPS_OHM, CAPACITORS_F)
        ]
    return next((found for found in tries if found.quick), tries[-1])


def _pull_up(pull_ohm: float, farad: float, cable_f: float, high_s: float) -> Figures:
    """The pin's own pull-up helps the rise and is left out; for the low level it counts."""
    slow_s = e.slowness_s([(pull_ohm, cable_f), (pull_ohm + SERIES_OHM, farad)])
    rise_s = e.rise_s(slow_s, e.SUPPLY_V, e.PIN_HIGH_V)
    low_v = e.node_v([(e.SENSOR_LOW_V, SERIES_OHM), (e.SUPPLY_V, e.PIN_PULL_OHM)])
    return Figures(
        circuit=Circuit.PULL_UP,
        pull_up_ohm=pull_ohm,
        capacitor_f=farad,
        low_v=low_v,
        high_v=e.SUPPLY_V,
        highest_v=e.SUPPLY_V,
        corner_hz=e.corner_hz(pull_ohm + SERIES_OHM, farad),
        rise_s=rise_s,
        sink_ma=1e3 * e.SUPPLY_V / pull_ohm,
        quick=rise_s <= _RISE_SHARE * high_s,
    )


def _divider(farad: float, cable_f: float, high_s: float) -> Figures:
    upper, lower = DIVIDER_OHM
    # An output that only pulls up inside may have as much resistance again (from memory); seen by
    # the cable, then by the capacitor at the pin.
    inside = upper
    cable_ohm = e.parallel_ohm(inside, upper + lower)
    pin_ohm = e.parallel_ohm(inside + upper, lower)
    final_v = e.divided_v(e.SENSOR_V, inside + upper, lower)
    slow_s = e.slowness_s([(cable_ohm, cable_f), (pin_ohm, farad)])
    rise_s = e.rise_s(slow_s, final_v, e.PIN_HIGH_V)
    most, least = 1 + e.PARTS_SPREAD, 1 - e.PARTS_SPREAD
    return Figures(
        circuit=Circuit.DIVIDER,
        pull_up_ohm=None,
        capacitor_f=farad,
        low_v=e.node_v([(e.SENSOR_LOW_V, upper), (0.0, lower), (e.SUPPLY_V, e.PIN_PULL_OHM)]),
        high_v=e.divided_v(e.SENSOR_V, upper, lower),
        highest_v=e.divided_v(e.SENSOR_V * (1 + e.SENSOR_SPREAD), upper * least, lower * most),
        corner_hz=e.corner_hz(e.parallel_ohm(upper, lower), farad),
        rise_s=rise_s,
        sink_ma=1e3 * e.SENSOR_V / (upper + lower),
        quick=rise_s <= _RISE_SHARE * high_s,
    )


def _opto(high_s: float) -> Figures:
    pull_ohm = PULL_UPS_OHM[0]
    return Figures(
        circuit=Circuit.OPTO,
        pull_up_ohm=pull_ohm,
        capacitor_f=None,
        low_v=e.OPTO_LOW_V,
        high_v=e.SUPPLY_V,
        highest_v=e.SUPPLY_V,
        corner_hz=None,
        rise_s=e.OPTO_OFF_S,
        sink_ma=1e3 * (e.SENSOR_V - e.LED_V - e.SENSOR_LOW_V) / LED_OHM,
        quick=high_s >= 2 * e.OPTO_OFF_S,
    )


def warnings(sensor: SensorWiring, probe_pin: int | None) -> list[str]:
    """Return what a person should know before wiring this sensor, a sentence each."""
    said = []
    if sensor.output is Output.UNKNOWN:
        said.append(
            "Its output is not known: measure it first (deploy/GUIDE.md) and write the answer into "
            f"filters.{sensor.filter_id}.flow_sensor.output. The opto-coupler drawn here suits either."
        )
    elif sensor.cable_m > LONG_CABLE_M:
        said.append(f"Cable of {sensor.cable_m:g} m: above {LONG_CABLE_M:g} m an opto-coupler.")
    if sensor.pin == probe_pin:
        said.append(
            f"GPIO{sensor.pin} is the probe's: choose another pin for the sensor, or move the probe."
        )
    if sensor.pin in SPOKEN_FOR:
        said.append(
            f"GPIO{sensor.pin} is better left alone: {SPOKEN_FOR[sensor.pin]}. Prefer another, "
            "such as 17, 27, 22, 23, 24, 25, 5 or 6."
        )
    if not figures(sensor).quick:
        said.append(
            f"Up to {sensor.rate_hz:.0f} pulses a second are more than this circuit follows; check "
            "pulses_per_litre and max_flow_l_per_h, else use a fast opto-coupler with a logic output."
        )
    return said


def pins(sensor: SensorWiring) -> tuple[int, int]:
    """Return the header positions of the sensor's signal and of its ground."""
    place = position(sensor.pin)
    return place, nearest_ground(place)
