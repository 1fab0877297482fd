"""The few formulas behind the parts, and what is taken to be known of board, cable and sensor.

Sources: Kirchhoff's laws; Millman's theorem (J. Millman, Proc. IRE 28 (1940) 413); the delay of a
chain of resistors and capacitors after W. C. Elmore, J. Appl. Phys. 19 (1948) 55.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

SUPPLY_V = 3.3
PIN_LOW_V = 0.9
"""A pin at 3.3 V reads low up to here (board maker's documentation, BCM2835 and BCM2837)."""
PIN_HIGH_V = 1.6
"""... and high from here on (the same table)."""
PIN_PULL_OHM = 50e3
"""The pull-up inside the pin, about (secondary sources)."""
SENSOR_V = 5.0
SENSOR_SPREAD = 0.05
"""A 5 V supply may be off by this share (from memory)."""
SENSOR_LOW_V = 0.5
"""A powered sensor's low level is below this (data sheets as sold, at 5 V)."""
SHORTEST_HIGH_SHARE = 0.4
"""A pulse is high for 40 to 60 % of its period (data sheets as sold)."""
CABLE_F_PER_M = 100e-12
"""Capacitance of a cable, high for small signal cable (from memory)."""
LED_V = 1.2
"""Forward voltage of an opto-coupler's infra-red diode (from memory)."""
OPTO_OFF_S = 100e-6
"""A plain opto-coupler with 10 kΩ needs up to about this to let go (from memory)."""
OPTO_LOW_V = 0.4
"""What its transistor leaves at the pin when it conducts (from memory)."""
PARTS_SPREAD = 0.05
"""Resistors of the common 5 % kind."""


def divided_v(source_v: float, upper_ohm: float, lower_ohm: float) -> float:
    """Return the voltage of an unloaded divider, in V."""
    return source_v * lower_ohm / (upper_ohm + lower_ohm)


def node_v(branches: Sequence[tuple[float, float]]) -> float:
    """Return the voltage where branches meet; each is (its source in V, its resistance in ohm)."""
    return sum(v / ohm for v, ohm in branches) / sum(1 / ohm for _, ohm in branches)


def parallel_ohm(first_ohm: float, second_ohm: float) -> float:
    """Return two resistances side by side as one, in ohm."""
    return first_ohm * second_ohm / (first_ohm + second_ohm)


def corner_hz(ohm: float, farad: float) -> float:
    """Return the frequency at which a low-pass of the first order is 3 dB down."""
    return 1 / (2 * math.pi * ohm * farad)


def slowness_s(stages: Sequence[tuple[float, float]]) -> float:
    """Return the sum of time constants in s; a stage is (resistance its capacitor sees, its farad).

    One pole with this time constant stands for the chain; for a chain of series resistors it is
    Elmore's delay.
    """
    return sum(ohm * farad for ohm, farad in stages)


def rise_s(time_constant_s: float, final_v: float, threshold_v: float) -> float:
    """Return how long an exponential rise from nothing takes to a threshold below its final value."""
    return time_constant_s * math.log(final_v / (final_v - threshold_v))


def highest_rate_hz(max_flow_l_per_h: float, pulses_per_litre: float) -> float:
    """Return the pulse rate at the highest flow that the sensor is sold for."""
    return max_flow_l_per_h * pulses_per_litre / 3600
