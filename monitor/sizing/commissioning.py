"""Measured clean flows against the model: how surprising, what fits, what to look at.

The samples of the uncertain inputs are weighted by how well each explains the measurement
(importance sampling, Bayes' theorem); nothing else about the model changes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np

from monitor.sizing.batch import Samples
from monitor.sizing.uncertainty import HIGH_QUANTILE, LOW_QUANTILE, Ensemble

_COVERAGE = 2.0  # errors are given as twice the standard uncertainty, as the GUM's k = 2
_ENOUGH_WEIGHT = 25.0  # effective samples below which no input within its range explains it
_WORTH_NAMING = 0.3  # of an input's own standard deviation


class Shift(msgspec.Struct, frozen=True):
    """An input whose likely value the measurement moved, in its own unit."""

    label: str
    before: float
    after: float
    in_deviations: float


class Commissioning(msgspec.Struct, frozen=True):
    """Measurement against model; flows in m³/s.

    `plausible` is where nine of ten measurements of such a filter lie. `surprise` is the chance
    that one lies as far out or farther, 0 to 1. `median`, `low`, `high` are the clean flow when
    measurement and model are put together, `None` when no input within its range explains it.
    """

    measured: float
    plausible: tuple[float, float]
    surprise: float
    median: float | None
    low: float | None
    high: float | None
    shifts: tuple[Shift, ...]
    verdict: str


def commission(found: Ensemble, measured_m3_per_s: Sequence[float], error: float) -> Commissioning:
    """Put measured clean flows beside an ensemble.

    Args:
        found: samples of the model.
        measured_m3_per_s: one or more measurements of the same clean filter.
        error: how far each may be off, as a share, twice the standard uncertainty; it is taken for
            common to all, since it is the bucket's or the sensor's.

    Returns:
        The comparison.
    """
    mean = float(np.mean(measured_m3_per_s))
    deviation = mean * error / _COVERAGE
    count = len(measured_m3_per_s)
    if count > 1:
        scatter = float(np.std(measured_m3_per_s, ddof=1)) / math.sqrt(count)
        deviation = math.hypot(deviation, scatter)
    below = float(np.mean(_normal((mean - found.flows) / deviation)))
    surprise = 2.0 * min(below, 1.0 - below)
    plausible = _predicted_range(found.flows, deviation)
    weights = np.exp(-0.5 * ((found.flows - mean) / deviation) ** 2)
    total = float(weights.sum())
    squares = float((weights**2).sum())  # underflows before the sum itself does
    effective = total * total / squares if squares > 0.0 else 0.0
    verdict = _verdict(mean, plausible)
    if effective < _ENOUGH_WEIGHT:
        return Commissioning(mean, plausible, surprise, None, None, None, (), verdict)
    weights = weights / total
    low, median, high = _weighted_quantiles(
        found.flows, weights, (LOW_QUANTILE, 0.5, HIGH_QUANTILE)
    )
    return Commissioning(
        mean, plausible, surprise, median, low, high, _shifts(found, weights), verdict
    )


def _normal(z: Samples) -> Samples:
    """The normal distribution function, by the error function of the standard library."""
    return np.array([0.5 * math.erfc(-value / math.sqrt(2.0)) for value in z])


def _predicted_range(flows: Samples, deviation: float) -> tuple[float, float]:
    """Where nine of ten measurements lie: the model's samples, each with the measurement's error."""
    strata = (np.arange(flows.size) + 0.5) / flows.size
    shuffled = np.random.default_rng(1).permutation(_normal_quantiles(strata))
    errors = deviation * shuffled
    low, high = np.quantile(flows + errors, (LOW_QUANTILE, HIGH_QUANTILE))
    return max(0.0, float(low)), float(high)


def _normal_quantiles(shares: Samples) -> Samples:
    from statistics import NormalDist

    normal = NormalDist()
    return np.array([normal.inv_cdf(share) for share in shares])


def _weighted_quantiles(
    values: Samples, weights: Samples, shares: Sequence[float]
) -> tuple[float, ...]:
    order = np.argsort(values)
    reached = np.cumsum(weights[order]) - 0.5 * weights[order]
    return tuple(float(np.interp(share, reached, values[order])) for share in shares)


def _shifts(found: Ensemble, weights: Samples) -> tuple[Shift, ...]:
    rows = []
    for label, samples in found.inputs.items():
        before, spread = float(samples.mean()), float(samples.std())
        after = float((weights * samples).sum())
        by = (after - before) / spread if spread else 0.0
        if abs(by) >= _WORTH_NAMING:
            rows.append(Shift(label, before, after, by))
    return tuple(sorted(rows, key=lambda row: -abs(row.in_deviations)))


def _verdict(mean: float, plausible: tuple[float, float]) -> str:
    low, high = plausible
    if mean < low:
        return (
            f"Measured {1 - mean / low:.0%} below the lowest plausible: look for a kink, a "
            "tap half open, a blocked strainer, air in the canister, a pump that is worn or not "
            "the one described."
        )
    if mean > high:
        return (
            f"Measured {mean / high - 1:.0%} above the highest plausible: look for a hose "
            "that is off or leaks downstream, water that passes beside the media, bores or a pump "
            "larger than described, a K factor that is too low."
        )
    return "The measurement fits the description."


def what_fits(shifts: Sequence[Shift]) -> str:
    """Return in words what explains the measurement best: the pump or the losses."""
    if not shifts:
        return "Nothing in the description has to move."
    first = shifts[0]
    if first.label.startswith("pump."):
        return (
            "A weaker pump fits best." if first.in_deviations < 0 else "A stronger pump fits best."
        )
    return f"The input that fits best when moved: {first.label}."
