"""The bucket test: pulses per litre of a flow sensor, with its uncertainty.

Water that has passed the sensor is caught and weighed. The time does not enter, so a slow hand at
the hose does no harm.

Sources: the gravimetric method after ISO 4185:1980 (buoyancy term from memory, only the title page
was at hand) and the Guide to the expression of uncertainty in measurement, JCGM 100:2008.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean, stdev

import msgspec

from monitor.errors import UserMistake
from monitor.sizing.water import water
from monitor.units import LITRES_PER_M3

_AIR_KG_PER_M3 = 1.2
_WEIGHTS_KG_PER_M3 = 8000.0
_SPLASH = 0.0005  # evaporation and splashes, as a share; from memory
_COVERAGE = 2.0
_LEAST_PULSES = 200  # below, one count is over half a per cent
# Without repeats their scatter is not known; this is taken instead (from memory).
_SCATTER_OF_ONE = 0.01


class Catch(msgspec.Struct, frozen=True):
    """One bucket: the mass of water in kg and the pulses counted while it ran."""

    mass_kg: float
    pulses: int


class Scale(msgspec.Struct, frozen=True):
    """The scale: how far it may be off (rectangular half-width) and its step, both in kg."""

    error_kg: float = 0.01
    step_kg: float = 0.005


class Contribution(msgspec.Struct, frozen=True):
    """One line of the uncertainty budget: a standard uncertainty as a share of the result."""

    source: str
    share: float


class KFactor(msgspec.Struct, frozen=True):
    """Pulses per litre with its expanded uncertainty (k = 2) as a share, and the budget.

    `each` is what every single bucket gives, so that the figures can be repeated.
    """

    pulses_per_litre: float
    expanded: float
    each: tuple[float, ...]
    budget: tuple[Contribution, ...]
    remarks: tuple[str, ...]


def k_factor(
    catches: Sequence[Catch],
    temperature_c: float,
    salinity_g_per_kg: float = 0.0,
    scale: Scale | None = None,
    temperature_error_c: float = 0.5,
) -> KFactor:
    """Return pulses per litre from one or more buckets.

    Args:
        catches: the buckets.
        temperature_c, salinity_g_per_kg: of the water.
        scale: what weighed them; `None` is an ordinary kitchen scale.
        temperature_error_c: how far the temperature may be off, rectangular half-width.

    Raises:
        UserMistake: no bucket, or one without water or pulses.
        SizingError: the water is outside the tables.
    """
    if not catches:
        raise UserMistake("bucket test: no bucket given; weigh at least one, three are better")
    for number, catch in enumerate(catches, 1):
        if not 0.05 <= catch.mass_kg <= 1000 or catch.pulses < 1:
            raise UserMistake(
                f"bucket {number}: {catch.mass_kg:g} kg and {catch.pulses} pulses: expected 0.05 to "
                "1000 kg of water and at least one pulse"
            )
    scale = scale if scale is not None else Scale()
    density = water(temperature_c, salinity_g_per_kg).density_kg_per_m3
    buoyancy = _AIR_KG_PER_M3 * (1 / density - 1 / _WEIGHTS_KG_PER_M3)
    litres = [c.mass_kg * (1 + buoyancy) / density * LITRES_PER_M3 for c in catches]
    each = tuple(c.pulses / v for c, v in zip(catches, litres, strict=True))
    budget = _budget(catches, each, scale, density, temperature_c, salinity_g_per_kg,
                     temperature_error_c)  # fmt: skip
    combined = math.sqrt(sum(row.share**2 for row in budget))
    return KFactor(fmean(each), _COVERAGE * combined, each, budget, _remarks(catches, each))


def _budget(
    catches: Sequence[Catch],
    each: Sequence[float],
    scale: Scale,
    density: float,
    temperature_c: float,
    salinity: float,
    temperature_error_c: float,
) -> tuple[Contribution, ...]:
    mean_kg = fmean(c.mass_kg for c in catches)
    # The scale's error is one for both weighings; each reading has a step of its own.
    mass_kg = math.hypot(
        scale.error_kg / math.sqrt(3), math.sqrt(2) * scale.step_kg / math.sqrt(12)
    )
    warmer = water(min(40.0, temperature_c + temperature_error_c), salinity).density_kg_per_m3
    pulses = fmean(c.pulses for c in catches)
    scatter = stdev(each) / fmean(each) / math.sqrt(len(each)) if len(each) > 1 else _SCATTER_OF_ONE
    return (
        Contribution("scatter of the buckets", scatter),
        Contribution("scale", mass_kg / mean_kg),
        Contribution("one count", 1 / pulses / math.sqrt(3)),
        Contribution("evaporation and splashes", _SPLASH),
        Contribution("temperature", abs(warmer / density - 1) / math.sqrt(3)),
    )


def _remarks(catches: Sequence[Catch], each: Sequence[float]) -> tuple[str, ...]:
    found = []
    if len(catches) < 3:
        found.append("Three buckets or more show how well the test repeats; take further ones.")
    if min(c.pulses for c in catches) < _LEAST_PULSES:
        found.append(f"Fewer than {_LEAST_PULSES} pulses in a bucket: take more water.")
    if len(each) > 1 and (max(each) - min(each)) / fmean(each) > 0.05:
        found.append(
            "The buckets differ by more than 5 %: look for air, for splashes, and whether the flow "
            "was the same each time."
        )
    return tuple(found)
