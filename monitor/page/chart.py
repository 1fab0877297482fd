"""Charts over time as inline SVG: no script, no library, and a text that says what they show. Pure.

Times are seconds of the wall clock. A curve breaks where nothing was recorded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeVar

import msgspec

from monitor.page.markup import text

_WIDTH, _HEIGHT = 640, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 78, 14, 16, 44
_GAP_STEPS = 3.5

T = TypeVar("T")
Tick = tuple[float, str]


class Frame(msgspec.Struct, frozen=True):
    """What a chart spans, and its words.

    `key` is unique on the page, `title` its name, `told` what it shows, in a sentence. `ticks` are times
    with their labels; `now_s` is marked where it lies inside.
    """

    key: str
    title: str
    told: str
    from_s: float
    to_s: float
    low: float
    high: float
    ticks: Sequence[Tick]
    now_s: float = math.inf
    step_s: float = 0.0

    def x(self, at_s: float) -> float:
        """Return where a time lies across."""
        share = (at_s - self.from_s) / (self.to_s - self.from_s)
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * share

    def y(self, value: float) -> float:
        """Return where a value lies upwards; what is beyond the frame lies on its edge."""
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return _HEIGHT - _BOTTOM - (_HEIGHT - _TOP - _BOTTOM) * share


def framed(frame: Frame, parts: Sequence[str], digits: int = 0) -> str:
    """Return the whole chart: axes and ticks first, then the parts, cut at the frame."""
    right, bottom = _WIDTH - _RIGHT, _HEIGHT - _BOTTOM
    drawn = [
        f'<svg class="chart" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" '
        f'aria-labelledby="{frame.key}-title {frame.key}-told">'
        f'<title id="{frame.key}-title">{text(frame.title)}</title>'
        f'<desc id="{frame.key}-told">{text(frame.told)}</desc>'
        f'<clipPath id="{frame.key}-cut"><rect x="{_LEFT}" y="{_TOP - 4}" '
        f'width="{right - _LEFT}" height="{bottom - _TOP + 4}"/></clipPath>'
    ]
    for value in steps(frame.low, frame.high):
        y = frame.y(value)
        said = f"{value:,.{digits}f}".replace(",", "\u202f")
        drawn.append(
            f'<path class="grid" d="M{_LEFT} {y:.1f}H{right}"/>'
            f'<text x="{_LEFT - 8}" y="{y + 5:.1f}" text-anchor="end">{said}</text>'
        )
    for at_s, words in frame.ticks:
        x = frame.x(at_s)
        if _LEFT <= x <= right:
            anchor = "end" if x > right - 40 else "middle"
            drawn.append(
                f'<path class="grid" d="M{x:.1f} {_TOP}V{bottom + 5}"/>'
                f'<text x="{x:.1f}" y="{_HEIGHT - 14}" text-anchor="{anchor}">{text(words)}</text>'
            )
    drawn.append(f'<g clip-path="url(#{frame.key}-cut)">{"".join(parts)}</g>')
    if frame.from_s < frame.now_s < frame.to_s:
        drawn.append(f'<path class="now" d="M{frame.x(frame.now_s):.1f} {_TOP}V{bottom}"/>')
    return "".join([*drawn, "</svg>"])


def curve(frame: Frame, times: Sequence[float], values: Sequence[float | None], css: str) -> str:
    """Return a curve, broken where a value is missing or nothing was recorded for some steps."""
    runs = _runs(times, values, frame.step_s)
    path = "".join(
        "M" + "L".join(f"{frame.x(t):.1f} {frame.y(v):.1f}" for t, v in run)
        + ("h1.5" if len(run) == 1 else "")
        for run in runs
    )  # fmt: skip
    return f'<path class="{css}" d="{path}"/>' if path else ""


def spread(
    frame: Frame,
    times: Sequence[float],
    low: Sequence[float | None],
    high: Sequence[float | None],
) -> str:
    """Return the area between the lowest and the highest of each step."""
    both = [None if a is None or b is None else (a, b) for a, b in zip(low, high, strict=True)]
    path = ""
    for run in _runs(times, both, frame.step_s):
        upper = [f"{frame.x(t):.1f} {frame.y(v[1]):.1f}" for t, v in run]
        lower = [f"{frame.x(t):.1f} {frame.y(v[0]):.1f}" for t, v in reversed(run)]
        path += "M" + "L".join(upper + lower) + "Z"
    return f'<path class="spread" d="{path}"/>' if path else ""


def _runs(
    times: Sequence[float], values: Sequence[T | None], step_s: float
) -> list[list[tuple[float, T]]]:
    runs: list[list[tuple[float, T]]] = []
    last_s = -math.inf
    for at_s, value in zip(times, values, strict=True):
        if value is None:
            last_s = -math.inf
            continue
        if at_s - last_s > _GAP_STEPS * step_s:
            runs.append([])
        runs[-1].append((at_s, value))
        last_s = at_s
    return runs


def limit(frame: Frame, value: float) -> str:
    """Return a line across, at a limit."""
    return f'<path class="limit" d="M{_LEFT} {frame.y(value):.1f}H{_WIDTH - _RIGHT}"/>'


def inner(frame: Frame, low: float, high: float) -> str:
    """Return a band across."""
    top, bottom = frame.y(high), frame.y(low)
    return (
        f'<rect class="inner" x="{_LEFT}" y="{top:.1f}" width="{_WIDTH - _LEFT - _RIGHT}" '
        f'height="{max(0.0, bottom - top):.1f}"/>'
    )


def fan(
    frame: Frame,
    now_s: float,
    value: float,
    low_s: float,
    median_s: float,
    high_s: float,
    to: float,
) -> str:
    """Return a forecast from now to when a value is reached: 80 % wedge and median."""
    x, y, top = frame.x(now_s), frame.y(value), frame.y(to)
    return (
        f'<path class="fan" d="M{x:.1f} {y:.1f}L{frame.x(low_s):.1f} {top:.1f}'
        f'H{frame.x(high_s):.1f}Z"/>'
        f'<path class="median" d="M{x:.1f} {y:.1f}L{frame.x(median_s):.1f} {top:.1f}"/>'
    )


def upright(frame: Frame, at_s: float) -> str:
    """Return the sign of a cleaning: a line with a pointer on top."""
    x = frame.x(at_s)
    return (
        f'<path class="deed" d="M{x:.1f} {_TOP}V{_HEIGHT - _BOTTOM}"/>'
        f'<path class="deed-sign" d="M{x - 6:.1f} {_TOP - 4}h12l-6 10z"/>'
    )


def stretch(frame: Frame, from_s: float, to_s: float) -> str:
    """Return the sign of a stop: a tinted stretch, never thinner than can be seen."""
    x = frame.x(max(from_s, frame.from_s))
    width = max(2.5, frame.x(min(to_s, frame.to_s)) - x)
    return (
        f'<rect class="stop" x="{x:.1f}" y="{_TOP}" width="{width:.1f}" '
        f'height="{_HEIGHT - _TOP - _BOTTOM}"/>'
    )


def steps(low: float, high: float) -> list[float]:
    """Return some round values from low to high."""
    raw = (high - low) / 4.0
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1.0, 2.0, 2.5, 5.0, 10.0) if s * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def round_up(value: float) -> float:
    """Return the next round value, for the top of an axis that begins at zero."""
    if value <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    rounds = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
    return next(r * power for r in rounds if r * power >= value * (1 - 1e-9))
