"""How likely filters are past their limit by a day, from what their sites forecast. Pure.

A site gives three figures of its due date: the bounds of an 80 % interval and the median. They are taken
as the 10 %, 50 % and 90 % quantiles of a lognormal in two halves, `T = median * exp(z * spread)` with a
standard normal z and one spread below the median, another above. It meets all three figures exactly, is
never negative, leans to the late side as first passages do, and has tails without further assumptions,
which a line through three points has not. It is also what tests/bench/score_lives.py scores the
forecasts by, so its faults are measured: the interval holds 79 % to 98 % of the truth, by share of life.

Without a trend there is little to go by, and three things are tried in turn, each named in `Basis`: the
interval that past cycles gave the site; the filter's usual days between cleanings, given that it has
lasted until now; a flat chance a day. The last is no forecast and is told as none.

Only days from now on count: what has passed no plan can mend. All arrays have an element a filter;
times are days from now.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

Days = NDArray[np.float64]
_NORMAL_90 = 1.2815515655446004  # the standard normal's quantile of 0.9
# Below these the two halves are as good as a step, and a logarithm would go wild.
_LEAST_DAYS, _LEAST_SPREAD = 0.02, 0.01
OWN, ANY = 1.5, 3.0**0.5
"""By what factor an 80 % interval of cycles reaches either way: one filter's own, or any filter's.

The first has no source. Any filter is cleaned every four to twelve weeks by common practice, no source; taken
for such an interval that is a factor of the root of three about seven weeks.
"""
_LEAST_LEFT = 0.05  # a filter older than 95 % of its cycles is no more told by them

_erf = np.frompyfunc(math.erf, 1, 1)


class Basis(StrEnum):
    """What a chance comes from."""

    PAST = "past its limit"
    TREND = "forecast"
    CYCLES = "past cycles"
    USUAL = "usual cycle"
    FLAT = "no forecast"


class Spread(msgspec.Struct, frozen=True):
    """One filter's distribution of the time to its limit, days counted from when it was made.

    Args:
        basis: what it comes from.
        median: 50 % quantile, days; of `FLAT` the mean.
        below, above: spread of the logarithm under and over the median.
        age: how many days ago it was made; of `USUAL` the days since the cleaning.
    """

    basis: Basis
    median: float
    below: float = 0.0
    above: float = 0.0
    age: float = 0.0


def past() -> Spread:
    """Return the distribution of a filter that is past its limit already."""
    return Spread(Basis.PAST, _LEAST_DAYS, _LEAST_SPREAD, _LEAST_SPREAD)


def forecast(low: float, median: float, high: float, age: float, basis: Basis) -> Spread:
    """Return the distribution through three figures.

    Args:
        low, median, high: 10 %, 50 % and 90 % quantiles, days from when it was made, in this order.
        age: how many days ago that was.
        basis: `TREND` or `CYCLES`.
    """
    low, median, high = (max(_LEAST_DAYS, t) for t in (low, median, high))
    return Spread(
        basis,
        median,
        max(_LEAST_SPREAD, math.log(median / low) / _NORMAL_90),
        max(_LEAST_SPREAD, math.log(high / median) / _NORMAL_90),
        age,
    )


def usual(days: float, since_cleaned: float, factor: float = OWN) -> Spread:
    """Return what a usual cycle tells of a filter that has lasted so long; `FLAT` once it tells no more.

    Args:
        days: the usual cycle.
        since_cleaned: days.
        factor: by which an 80 % interval of cycles reaches either way.
    """
    spread = math.log(factor) / _NORMAL_90
    made = Spread(Basis.USUAL, days, spread, spread, since_cleaned)
    left = 1.0 - float(Chances([made])._share(np.array([since_cleaned]))[0])
    return made if left >= _LEAST_LEFT else flat(days)


def flat(mean: float) -> Spread:
    """Return a flat chance a day, once in `mean` days."""
    return Spread(Basis.FLAT, mean)


class Chances:
    """The distributions of many filters, computed together.

    Args:
        spreads: one a filter.
    """

    def __init__(self, spreads: Sequence[Spread]) -> None:
        self.basis = [s.basis for s in spreads]
        self._median = np.array([s.median for s in spreads])
        self._below = np.array([max(_LEAST_SPREAD, s.below) for s in spreads])
        self._above = np.array([max(_LEAST_SPREAD, s.above) for s in spreads])
        self._age = np.array([s.age for s in spreads])
        self._flat = np.array([s.basis is Basis.FLAT for s in spreads], dtype=bool)
        lasted = np.array([s.basis is Basis.USUAL for s in spreads], dtype=bool)
        # Of a usual cycle it is known that it has lasted until now; of a forecast that has grown old
        # nothing is known of since.
        self._gone = np.where(lasted, self._share(self._age), 0.0) if spreads else self._age
        self._area_now = self._area(self._age)

    def before(self, days: float | Days) -> Days:
        """Return the chance of being past the limit within so many days, 0 to 1."""
        reached = self._share(self._age + days)
        return np.asarray(np.clip((reached - self._gone) / (1.0 - self._gone), 0.0, 1.0))

    def past_days(self, days: float | Days) -> Days:
        """Return the expected days past the limit, of those from now until so many days from now."""
        area = self._area(self._age + days) - self._area_now - self._gone * days
        return np.asarray(np.clip(area / (1.0 - self._gone), 0.0, days))

    def unused_days(self, days: float | Days, most: Days) -> Days:
        """Return the expected days to the limit that a cleaning so many days from now gives away.

        Args:
            days: from now.
            most: of a filter that far from its limit no more than these are counted, one a filter.
        """
        return np.asarray(
            np.clip(most - (self.past_days(days + most) - self.past_days(days)), 0.0, most)
        )

    def _share(self, t: Days) -> Days:
        """The distribution function, t counted from when it was made."""
        z = self._z(t)
        return np.asarray(np.where(self._flat, -np.expm1(-t / self._median), _normal(z)))

    def _z(self, t: Days) -> Days:
        log = np.log(np.maximum(t, 1e-12) / self._median)
        return np.asarray(log / np.where(log < 0.0, self._below, self._above))

    def _area(self, t: Days) -> Days:
        """The integral of the distribution function from 0 to t, in closed form.

        By parts, with `d(m exp(z s)) = s m exp(z s) dz` and the normal density completed to a square:
        `t N(z) - m exp(s²/2) N(z - s)` is an antiderivative on either side of the median.
        """
        z, m, under, over = self._z(t), self._median, self._below, self._above
        low = np.minimum(z, 0.0)
        area = np.minimum(t, m) * _normal(low) - m * _raised(under) * _normal(low - under)
        high = np.maximum(z, 0.0)
        rest = np.maximum(t, m) * _normal(high) - 0.5 * m
        rest -= m * _raised(over) * (_normal(high - over) - _normal(-over))
        even = t + self._median * np.expm1(-t / self._median)
        return np.asarray(np.where(self._flat, even, area + np.where(z > 0.0, rest, 0.0)))


def _raised(spread: Days) -> Days:
    return np.asarray(np.exp(0.5 * spread * spread))


def _normal(z: Days) -> Days:
    """The standard normal's distribution function."""
    values: Any = _erf(z / math.sqrt(2.0))
    return np.asarray(0.5 * (1.0 + np.asarray(values, dtype=np.float64)))
