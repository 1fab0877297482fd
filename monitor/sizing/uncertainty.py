"""How sure a clean flow is, and which input decides it.

Every uncertain input is triangular between its bounds with its likely value as the peak, so no
sample is ever impossible; samples are stratified (Latin hypercube), one stratum a sample and input.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import cast

import msgspec
import numpy as np

from monitor.sizing.batch import Samples, solve_flows_m3_per_s
from monitor.sizing.report import Installation
from monitor.sizing.water import water

DEFAULT_SAMPLES = 2000
# Plausible means nine times in ten.
LOW_QUANTILE, HIGH_QUANTILE = 0.05, 0.95
_WORTH_NAMING = 0.01


class Sampler:
    """Draws samples of inputs by name, the same for the same seed.

    Args:
        count: how many samples, 2 or more.
        seed: of the generator.
    """

    def __init__(self, count: int = DEFAULT_SAMPLES, seed: int = 1) -> None:
        self.count = count
        self.inputs: dict[str, Samples] = {}
        self._generator = np.random.default_rng(seed)

    def draw(self, label: str, low: float, likely: float, high: float) -> float:
        """Return samples of one input; asked again by the same name, the same samples."""
        if label not in self.inputs:
            strata = self._generator.permutation(self.count) + self._generator.random(self.count)
            self.inputs[label] = triangular(strata / self.count, low, likely, high)
        return cast(float, self.inputs[label])


def triangular(share: Samples, low: float, likely: float, high: float) -> Samples:
    """Return the values below which a share of a triangular distribution lies."""
    peak = (likely - low) / (high - low)
    width = high - low
    rising = low + np.sqrt(share * width * (likely - low))
    falling = high - np.sqrt((1.0 - share) * width * (high - likely))
    return np.where(share < peak, rising, falling)


class Influence(msgspec.Struct, frozen=True):
    """How much of the spread of the flow one input explains, 0 to 1."""

    label: str
    share: float


class Spread(msgspec.Struct, frozen=True):
    """A clean flow in m³/s as a median with its plausible range, and what decides the range.

    Nine of ten samples lie between `low` and `high`. `influences` are ranked; what they leave open
    is the inputs' interplay and what each alone explains of less than one per cent.
    """

    median: float
    low: float
    high: float
    influences: tuple[Influence, ...]
    samples: int


class Ensemble(msgspec.Struct, frozen=True):
    """The samples themselves: flow in m³/s, and every input by name."""

    flows: Samples
    inputs: Mapping[str, Samples]


def ensemble(
    describe: Callable[[Sampler | None], Installation], count: int = DEFAULT_SAMPLES, seed: int = 1
) -> Ensemble:
    """Return the flows of an installation whose inputs are sampled.

    Args:
        describe: builds the installation, drawing its uncertain inputs from the sampler.
        count: samples.
        seed: the same seed, the same samples.

    Raises:
        SizingError: some sample is impossible.
    """
    sampler = Sampler(count, seed)
    described = describe(sampler)
    at = water(described.temperature_c, described.salinity_g_per_kg)
    return Ensemble(solve_flows_m3_per_s(described.circuit, at, count), sampler.inputs)


def spread(found: Ensemble) -> Spread:
    """Return median, plausible range and influences of an ensemble."""
    low, median, high = np.quantile(found.flows, (LOW_QUANTILE, 0.5, HIGH_QUANTILE))
    return Spread(float(median), float(low), float(high), influences(found), int(found.flows.size))


def influences(found: Ensemble) -> tuple[Influence, ...]:
    """Return the squared correlation of each input with the flow, largest first.

    For inputs that are independent and act nearly linearly over their ranges, as here, that is the
    share of the variance that each explains.
    """
    if float(np.std(found.flows)) == 0.0:
        return ()
    rows = [
        Influence(label, float(np.corrcoef(samples, found.flows)[0, 1]) ** 2)
        for label, samples in found.inputs.items()
    ]
    named = [row for row in rows if row.share >= _WORTH_NAMING]
    return tuple(sorted(named, key=lambda row: -row.share))
