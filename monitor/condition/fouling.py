"""Fouling since the last cleaning: share of clean flow over time, and what it says of the due date.

Flow is a late witness: near clean a big rise of resistance costs little flow. So growth is modelled
in added resistance r, normalised to the clean circuit's, and only compared with the data as flow.
For a falling pump curve against losses that go with Q², H0/Q² = H0/Qclean² + k, so r = x^(−n) − 1
with x the share of clean flow and n = 2; the sizing model gives a filter its own n.

A growth curve rises from 0 to the resistance at the user's limit within its life L, in one of several
shapes: steady (cake filtration at constant pressure, Hermia 1982: 1/x² − 1 = k·t), slowing, growing
faster, or sudden at the end. The posterior over a grid of what is left of life and of shapes is
computed from the history; first passage is the end of L.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

DAY_S = 86400.0
_MOST_POINTS = 36
BLOCK_S = 6 * 3600.0
# A block's own error, and the clean reference's, as a share of clean flow.
# These hardly average out within a cycle, so blocks count for less than their number.
_ERROR = 0.011
_NOW, _NOW_S, _SHAPE = 1.5, 1.5 * DAY_S, 0.14
# What the sensor may have wandered since the cleaning, and the chances; it grows with the root of time.
_OFFSETS = ((-0.012, 0.25), (0.0, 0.5), (0.012, 0.25))
_TAIL = 4.0  # degrees of freedom of the error's distribution: single blocks may be far off
_RECENT = 0.35  # of the time since cleaning: older blocks fade, for loads change
_LEAST_RECENT_S = 5 * DAY_S

# Each shape is what it is called, its way of growing and its strength. Exponential growth is
# (e^(g·u) − 1)/(e^g − 1) of the way to due at the share u of life; blocking, where each grain stops
# more water than the last, is hyperbolic, u·(1 − s)/(1 − s·u); narrowing pores (Hermia 1982, m = 3/2)
# go from the share s of the resistance at due as s/(1 − (1 − √s)·u)².
SHAPES = (
    ("slowing", "exponential", -1.0),
    ("steady", "exponential", 0.0),
    ("steady", "exponential", 0.5),
    ("growing faster", "exponential", 1.2),
    ("growing faster", "exponential", 2.2),
    ("growing faster", "exponential", 3.6),
    ("growing faster", "exponential", 5.5),
    ("growing faster", "narrowing", 0.05),
    ("sudden at the end", "narrowing", 0.02),
    ("sudden at the end", "narrowing", 0.006),
    ("sudden at the end", "blocking", 0.88),
    ("sudden at the end", "blocking", 0.95),
    ("sudden at the end", "blocking", 0.97),
    ("sudden at the end", "blocking", 0.98),
    ("sudden at the end", "blocking", 0.99),
    ("sudden at the end", "blocking", 0.995),
)
# The grid is of what is left, so that it is as fine as the answer must be, early and late in a life.
_SOONEST_S, _LATEST_S, _LEFT_COUNT = 0.1 * DAY_S, 730 * DAY_S, 45
LEFT_S = tuple(
    _SOONEST_S * (_LATEST_S / _SOONEST_S) ** (i / (_LEFT_COUNT - 1)) for i in range(_LEFT_COUNT)
)

# Nobody's filter before its first cycle: 4 to 12 weeks is common practice, no source.
_USUAL_LIFE_S, _USUAL_SPREAD = 45 * DAY_S, 0.9
_PAST_SPREAD = 0.30  # of the logarithm, at the least, from one cycle to the next
LOW, HIGH = 0.10, 0.90
# Below this fall of flow a rise cannot be told from the sensor's wander.
TREND_BELOW = 0.97


class Point(msgspec.Struct, frozen=True, gc=False):
    """A block: seconds since the cleaning at its middle, its share of clean flow, its weight."""

    at_s: float
    share: float
    blocks: float


class Track(msgspec.Struct, frozen=True, gc=False):
    """The history of one cycle, and what past cycles lasted until due, in seconds."""

    points: tuple[Point, ...] = ()
    past_s: tuple[float, ...] = ()


class Forecast(msgspec.Struct, frozen=True, gc=False):
    """When flow will reach the user's limit, in seconds from now: median and 80 % interval.

    `trend` is false while the flow's fall cannot be told from noise: then the times come from past
    cycles alone, and are `None` when there are none. `shape` names the growth that fits best.
    """

    median_s: float | None
    low_s: float | None
    high_s: float | None
    trend: bool
    shape: str
    fouling: float  # of the way to due: added resistance over that at the limit


def add_block(track: Track, at_s: float, share: float) -> Track:
    """Return the track with one more block; when it is full, the two lightest neighbours merge."""
    points = (*track.points, Point(at_s, share, 1.0))
    if len(points) > _MOST_POINTS:
        light = min(range(len(points) - 1), key=lambda i: points[i].blocks + points[i + 1].blocks)
        one = _merged(points[light], points[light + 1])
        points = (*points[:light], one, *points[light + 2 :])
    return Track(points, track.past_s)


def _merged(a: Point, b: Point) -> Point:
    blocks = a.blocks + b.blocks
    return Point(
        (a.at_s * a.blocks + b.at_s * b.blocks) / blocks,
        (a.share * a.blocks + b.share * b.blocks) / blocks,
        blocks,
    )


def next_cycle(track: Track, lasted_s: float | None) -> Track:
    """Return an empty track for the cycle after a cleaning; `lasted_s` until due, if known."""
    past = track.past_s if lasted_s is None else (*track.past_s, lasted_s)[-12:]
    return Track((), past)


def resistance(share: float, exponent: float) -> float:
    """Return added resistance over that of the clean circuit, 0 at clean flow or above."""
    return max(0.0, math.pow(max(share, 1e-6), -exponent) - 1.0)


def forecast(track: Track, now_s: float, limit_share: float, exponent: float) -> Forecast:
    """Return when flow reaches the limit.

    Args:
        track: the cycle so far.
        now_s: seconds since its cleaning.
        limit_share: the user's share of clean flow, between 0 and 1.
        exponent: n of the filter's curve, above 0.
    """
    due = resistance(limit_share, exponent)
    latest = _latest(track.points)
    fouled = resistance(latest, exponent) / due if latest is not None else 0.0
    trend = latest is not None and len(track.points) >= 3 and latest < TREND_BELOW
    if not trend and not track.past_s:
        return Forecast(None, None, None, False, "", fouled)
    weights, shape = _posterior(track, now_s, due, exponent)
    low, median, high = _quantiles(weights, (LOW, 0.5, HIGH))
    return Forecast(median, low, high, trend, shape, fouled)


def _latest(points: Sequence[Point]) -> float | None:
    """The share of clean over the last day or so."""
    tail = points[-4:]
    if not tail:
        return None
    return sum(p.share for p in tail) / len(tail)


def _posterior(track: Track, now_s: float, due: float, exponent: float) -> tuple[list[float], str]:
    """Weights of the lives, and in words the shape that fits best."""
    root = -1.0 / exponent
    memory_s = max(_LEAST_RECENT_S, _RECENT * now_s)
    seen = [
        (p.at_s, p.share, p.blocks * _weight(now_s - p.at_s, memory_s), math.sqrt(p.at_s / now_s))
        for p in track.points
    ]
    half = (_TAIL + 1.0) / 2.0
    scale = 1.0 / (_TAIL * _ERROR * _ERROR)
    logs: list[list[float]] = []
    for _, way, strength in SHAPES:
        row = []
        for left in LEFT_S:
            life = now_s + left
            # The prior is of lives; equal steps of log(left) are steps of `left` in life.
            prior = _life_prior(life, track.past_s) + math.log(left / life)
            totals = [0.0] * len(_OFFSETS)
            for at_s, share, weight, wandered in seen:
                off = share - math.pow(1.0 + due * _grown(at_s / life, way, strength), root)
                for i, (offset, _) in enumerate(_OFFSETS):
                    totals[i] -= weight * half * math.log1p((off - offset * wandered) ** 2 * scale)
            row.append(prior + _log_mean(totals))
        logs.append(row)
    top = max(max(row) for row in logs)
    cells = [[math.exp(v - top) for v in row] for row in logs]
    best = max(range(len(SHAPES)), key=lambda i: sum(cells[i]))
    weights = [sum(row[i] for row in cells) for i in range(_LEFT_COUNT)]
    return weights, SHAPES[best][0]


def _grown(u: float, way: str, strength: float) -> float:
    """How much of the way to due a shape has gone at the share u of its life."""
    if way == "blocking":
        return u * (1.0 - strength) / (1.0 - strength * u)
    if way == "narrowing":
        return (strength / (1.0 - (1.0 - math.sqrt(strength)) * u) ** 2 - strength) / (
            1.0 - strength
        )
    return math.expm1(strength * u) / math.expm1(strength) if strength else u


def _log_mean(totals: Sequence[float]) -> float:
    """The logarithm of the mean likelihood over what the sensor may have wandered."""
    top = max(totals)
    weighed = (w * math.exp(t - top) for t, (_, w) in zip(totals, _OFFSETS, strict=True))
    return top + math.log(sum(weighed))


def _weight(age_s: float, memory_s: float) -> float:
    """How much a block counts: where the curve stands now by the last day or two, its shape by all."""
    return _NOW * math.exp(-age_s / _NOW_S) + _SHAPE * math.exp(-age_s / memory_s)


def _life_prior(life_s: float, past_s: Sequence[float]) -> float:
    """Log density of a life: past cycles when there are any, else what is common."""
    if not past_s:
        z = math.log(life_s / _USUAL_LIFE_S) / _USUAL_SPREAD
        return -0.5 * z * z
    logs = [math.log(p) for p in past_s]
    mean = sum(logs) / len(logs)
    spread = math.sqrt(
        (_PAST_SPREAD**2 * 4 + sum((v - mean) ** 2 for v in logs)) / (4 + len(logs) - 1)
    )
    z = (math.log(life_s) - mean) / spread
    return math.log(0.95 * math.exp(-0.5 * z * z) / spread + 0.05 * math.exp(-abs(z) / 4))


def _quantiles(weights: Sequence[float], shares: Sequence[float]) -> list[float]:
    """What is left, below which a share of the weight lies, between the grid's points by logarithm."""
    total = sum(weights)
    reached = 0.0
    found: list[float] = []
    wanted = list(shares)
    for i, weight in enumerate(weights):
        before, reached = reached, reached + weight / total
        while wanted and reached >= wanted[0]:
            inside = (wanted[0] - before) / (reached - before)
            found.append(LEFT_S[i] * math.pow(LEFT_S[1] / LEFT_S[0], inside - 0.5))
            wanted.pop(0)
    return found + [LEFT_S[-1]] * len(wanted)
