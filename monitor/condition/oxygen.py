"""How long the water in a stopped canister keeps its oxygen: always a range, always an estimate.

Sources:
    [1] Benson and Krause, Limnology and Oceanography 29 (1984) 620, as the US Geological Survey uses
        it (Office of Water Quality memorandum 2011.03): solubility, 0 to 40 °C, 0 to 40 salinity.
    [2] Zhu and Chen, Aquacultural Engineering 2002 (abstract): fixed-film nitrification rises by 1.1 %
        a kelvin when oxygen limits it and by 4.3 % when ammonia does.
    [3] Demand of a canister's media: no published figure was found; the range is from memory of
        biofilter loadings, 5 to 100 mg of oxygen an hour for a canister of about 6 L.
"""

from __future__ import annotations

import math

import msgspec

_ZERO_CELSIUS_K = 273.15
_LOW_OXYGEN_MG_PER_L = 2.0  # below this the media's bacteria begin to fail (from memory)
# Demand per litre of canister water at 25 °C, mg/(L·h): low and high [3].
_DEMAND = {"light": (1.0, 5.0), "normal": (1.5, 9.0), "heavy": (3.0, 16.0)}
_PER_KELVIN = 1.011, 1.043  # [2]
_REFERENCE_C = 25.0
_AT_STOP_SATURATION = 0.9  # of saturation in a moving canister (from memory)


class OxygenRange(msgspec.Struct, frozen=True, gc=False):
    """Hours after a stop until the canister's water is short of oxygen: soonest and latest."""

    soonest_h: float
    latest_h: float


def saturation_mg_per_l(temperature_c: float, salinity: float = 0.0) -> float:
    """Return the oxygen that water holds against moist air at one atmosphere, in mg/L [1].

    Args:
        temperature_c: 0 to 40 °C.
        salinity: practical salinity, 0 to 40.

    Raises:
        ValueError: outside these ranges.
    """
    if not 0.0 <= temperature_c <= 40.0 or not 0.0 <= salinity <= 40.0:
        raise ValueError(f"{temperature_c} °C, salinity {salinity}: outside 0 to 40")
    t = temperature_c + _ZERO_CELSIUS_K
    fresh = (
        -139.34411 + 1.575701e5 / t - 6.642308e7 / t**2 + 1.243800e10 / t**3 - 8.621949e11 / t**4
    )
    salt = salinity * (0.017674 - 10.754 / t + 2140.7 / t**2)
    return math.exp(fresh - salt)


def nitrification(temperature_c: float) -> tuple[float, float]:
    """Return the rate of the media's bacteria as a range of shares of that at 25 °C [2]."""
    kelvin = temperature_c - _REFERENCE_C
    slow, fast = sorted((_PER_KELVIN[0] ** kelvin, _PER_KELVIN[1] ** kelvin))
    return slow, fast


def until_short(temperature_c: float | None, salinity: float, stocking: str) -> OxygenRange:
    """Return when the water that stands in the canister is short of oxygen.

    The demand is taken per litre of canister water, so its volume drops out. With an unknown
    temperature the usual 25 °C stands in.

    Args:
        temperature_c: of the water at the stop, `None` if unknown; beyond 0 to 40 the bound is taken.
        salinity: practical salinity; beyond 40 the bound is taken.
        stocking: light, normal or heavy.
    """
    warmth = min(40.0, max(0.0, temperature_c if temperature_c is not None else _REFERENCE_C))
    held = _AT_STOP_SATURATION * saturation_mg_per_l(warmth, min(40.0, salinity))
    spare = max(0.0, held - _LOW_OXYGEN_MG_PER_L)
    low, high = _DEMAND[stocking]
    slow, fast = nitrification(warmth)
    return OxygenRange(spare / (high * fast), spare / (low * slow))
