"""Numbers that are floats or, where uncertainty is asked for, numpy arrays of samples.

Every `float` of the sizing room may be an array: the arithmetic is the same. The few places where
it is not are here.
"""

from __future__ import annotations

from typing import cast

from fluids.friction import Churchill_1977


def still(flow_m3_per_s: float) -> bool:
    """Return whether a single flow is zero or less; arrays are always above zero."""
    return isinstance(flow_m3_per_s, float | int) and flow_m3_per_s <= 0


def power(base: float, exponent: float) -> float:
    """Return base to the exponent, base above zero."""
    return cast(float, base**exponent)


def outside(value: float, low: float, high: float) -> bool:
    """Return whether a value, or any of its samples, lies outside low to high or is no number."""
    inside = (value >= low) & (value <= high)  # false for NaN
    return not (inside if isinstance(inside, bool) else inside.all())


def smaller(value: float, bound: float) -> float:
    """Return the smaller of a value and a bound, sample by sample."""
    if isinstance(value, float | int) and isinstance(bound, float | int):
        return min(value, bound)
    import numpy as np

    return cast(float, np.minimum(value, bound))


def friction_factor(reynolds: float, roughness_per_bore: float) -> float:
    """Return Darcy's friction factor by Churchill (1977), one curve from laminar to turbulent.

    One number goes through `fluids`; for arrays, which that function does not take, the same
    equation stands here, and a test holds the two together.
    """
    if isinstance(reynolds, float):
        return float(Churchill_1977(reynolds, roughness_per_bore))
    import numpy as np

    # Powers by multiplication: they are most of the work of a sampled circuit.
    turbulent = _sixteenth(2.457 * np.log((7.0 / reynolds) ** 0.9 + 0.27 * roughness_per_bore))
    transition = _sixteenth(37530.0 / reynolds)
    both = turbulent + transition
    laminar = 8.0 / reynolds
    laminar = laminar * laminar * laminar
    laminar = laminar * laminar
    return cast(float, 8.0 * (laminar * laminar + 1.0 / (both * np.sqrt(both))) ** (1.0 / 12.0))


def _sixteenth(value: float) -> float:
    square = value * value
    square = square * square
    square = square * square
    return square * square
