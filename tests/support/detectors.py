"""Reference detectors and forecasters to score against: plain textbook forms, none of ours."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence

Alarm = Callable[[Sequence[float]], list[bool]]
"""Takes a flow a second and returns whether the detector is in alarm at each."""


def fixed_threshold(flow: Sequence[float]) -> list[bool]:
    """Below 70 % of the mean of the first five minutes."""
    start = statistics.fmean(flow[:300])
    return [v < 0.7 * start for v in flow]


def trailing_median(flow: Sequence[float]) -> list[bool]:
    """The last half minute's median more than 3 % from the median of the ten minutes before."""
    found = []
    for n in range(len(flow)):
        if n < 330 or n % 5:
            found.append(found[-1] if found else False)
            continue
        base = statistics.median(flow[max(0, n - 630) : n - 30 : 5])
        found.append(
            abs(statistics.median(flow[n - 30 : n : 3]) / base - 1) > 0.03 if base else True
        )
    return found


def ewma(flow: Sequence[float]) -> list[bool]:
    """EWMA chart (Roberts 1959): λ = 0.1, three sigma, level and sigma from the first five minutes."""
    start, sigma = statistics.fmean(flow[:300]), statistics.pstdev(flow[:300])
    weight = 0.1
    limit = 3 * sigma * (weight / (2 - weight)) ** 0.5
    level, found = start, []
    for n, v in enumerate(flow):
        level += weight * (v - level)
        found.append(n >= 300 and abs(level - start) > limit)
    return found


def cusum(flow: Sequence[float]) -> list[bool]:
    """Two-sided CUSUM (Page 1954): k = 0.5 sigma, h = 5 sigma, from the first five minutes."""
    start, sigma = statistics.fmean(flow[:300]), statistics.pstdev(flow[:300]) or 1e-9
    up = down = 0.0
    found = []
    for n, v in enumerate(flow):
        z = (v - start) / sigma
        up, down = max(0.0, up + z - 0.5), max(0.0, down - z - 0.5)
        if n < 300:
            up = down = 0.0
        found.append(up > 5 or down > 5)
    return found


DETECTORS: dict[str, Alarm] = {
    "fixed 70 % of start-up": fixed_threshold,
    "trailing median, 3 %": trailing_median,
    "EWMA chart": ewma,
    "CUSUM": cusum,
}


def line_all(times: Sequence[float], shares: Sequence[float], limit: float) -> float | None:
    """Least squares over everything: the time at which the line reaches the limit."""
    return _crossing(*_fit(times, shares), limit)


def line_last(times: Sequence[float], shares: Sequence[float], limit: float) -> float | None:
    """Least squares over the last 40 %."""
    n = max(2, int(len(times) * 0.4))
    return _crossing(*_fit(times[-n:], shares[-n:]), limit)


def theil_sen(times: Sequence[float], shares: Sequence[float], limit: float) -> float | None:
    """Median of pairwise slopes (Theil 1950, Sen 1968)."""
    step = max(1, len(times) // 60)
    t, x = times[::step], shares[::step]
    slopes = [(x[j] - x[i]) / (t[j] - t[i]) for i in range(len(t)) for j in range(i + 1, len(t))]
    if not slopes:
        return None
    slope = statistics.median(slopes)
    return _crossing(
        slope, statistics.median(b - slope * a for a, b in zip(t, x, strict=True)), limit
    )


def holt(times: Sequence[float], shares: Sequence[float], limit: float) -> float | None:
    """Holt's linear smoothing (1957), α = 0.3, β = 0.1, the trend carried on."""
    if len(shares) < 2:
        return None
    level, trend = shares[0], 0.0
    for value in shares[1:]:
        before = level
        level = 0.3 * value + 0.7 * (level + trend)
        trend = 0.1 * (level - before) + 0.9 * trend
    step = (times[-1] - times[0]) / (len(times) - 1)
    return times[-1] + (limit - level) / trend * step if trend < 0 else None


FORECASTERS = {
    "straight line, all": line_all,
    "straight line, last 40 %": line_last,
    "Theil–Sen": theil_sen,
    "Holt": holt,
}


def _fit(t: Sequence[float], x: Sequence[float]) -> tuple[float, float]:
    if len(t) < 2:
        return 0.0, x[0] if x else 1.0
    mean_t, mean_x = statistics.fmean(t), statistics.fmean(x)
    below = sum((a - mean_t) ** 2 for a in t)
    slope = sum((a - mean_t) * (b - mean_x) for a, b in zip(t, x, strict=True)) / below
    return slope, mean_x - slope * mean_t


def _crossing(slope: float, start: float, limit: float) -> float | None:
    return (limit - start) / slope if slope < 0 else None
