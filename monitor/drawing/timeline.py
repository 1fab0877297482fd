"""Values over a span of time as SVG for paper: a gap stays a gap, a stop is shaded, deeds are marked.

Only presentation attributes, no style sheet: the same picture goes into a page and into a PDF.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from xml.sax.saxutils import escape

import msgspec

_WIDTH = 720
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 12, 26, 34
_INK, _PALE, _ACCENT, _STOP, _DEED = "#1c2b33", "#d5dde1", "#0b7285", "#c92a2a", "#2b8a3e"
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_RULES = 5
_NARROWEST = 2.0


class Curve(msgspec.Struct, frozen=True):
    """One line: its points are time and value, `None` where nothing is known."""

    name: str
    points: Sequence[tuple[float, float | None]]
    accent: bool = False


class Axis(msgspec.Struct, frozen=True):
    """An axis: from, to, and what stands at which place of it."""

    low: float
    high: float
    ticks: Sequence[tuple[float, str]]


def timeline(
    title: str, says: str, time: Axis, values: Axis, curves: Sequence[Curve],
    stops: Sequence[tuple[float, float]] = (), deeds: Sequence[tuple[float, str]] = (),
    height: int = 230,
) -> str:  # fmt: skip
    """Return the picture.

    Args:
        title: what it shows, above it.
        says: the same in a sentence, for whoever does not see it.
        time, values: the axes.
        curves: the first is drawn last, on top.
        stops: from when to when nothing moved.
        deeds: when, and what was done.
        height: of the whole, with 720 for its width.
    """
    across, up = _WIDTH - _LEFT - _RIGHT, height - _TOP - _BOTTOM

    def x(t: float) -> float:
        return _LEFT + across * (t - time.low) / ((time.high - time.low) or 1.0)

    def y(v: float) -> float:
        share = (v - values.low) / ((values.high - values.low) or 1.0)
        return _TOP + up * (1.0 - min(1.0, max(0.0, share)))

    bottom = _TOP + up
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" '
        f'height="{height}" role="img" font-family="DejaVu Sans, sans-serif" font-size="11">',
        f"<title>{_safe(title)}</title><desc>{_safe(says)}</desc>",
        _words(_LEFT, 15, title, bold=True),
    ]
    for place, words in values.ticks:
        parts.append(_line(_LEFT, y(place), _WIDTH - _RIGHT, y(place), _PALE))
        parts.append(_words(_LEFT - 6, y(place) + 4, words, "end"))
    for place, words in time.ticks:
        parts.append(_line(x(place), bottom, x(place), bottom + 4, _INK))
        parts.append(_words(x(place), bottom + 17, words, "start"))
    for start, end in stops:
        wide = max(_NARROWEST, x(min(end, time.high)) - x(max(start, time.low)))
        parts.append(
            f'<rect x="{x(max(start, time.low)):.1f}" y="{_TOP}" width="{wide:.1f}" height="{up}" '
            f'fill="{_STOP}" fill-opacity="0.3"/>'
        )
    for curve in reversed(curves):
        parts += [_path(run, curve) for run in _runs(curve.points, x, y)]
    for when, words in deeds:
        parts.append(_line(x(when), _TOP, x(when), bottom, _DEED))
        late = x(when) > _WIDTH - _RIGHT - 8.0 * len(words)
        place = x(when) + (-3 if late else 3)
        parts.append(_words(place, bottom - 6, words, "end" if late else "start"))
    parts.append(_line(_LEFT, bottom, _WIDTH - _RIGHT, bottom, _INK))
    parts += _key(curves, height, bool(stops))
    return "\n".join([*parts, "</svg>"])


def _runs(
    points: Sequence[tuple[float, float | None]], x: object, y: object
) -> Iterator[list[tuple[float, float]]]:
    """Stretches without a gap."""
    assert callable(x)
    assert callable(y)
    run: list[tuple[float, float]] = []
    for at, value in points:
        if value is None:
            if run:
                yield run
            run = []
        else:
            run.append((x(at), y(value)))
    if run:
        yield run


def _path(run: Sequence[tuple[float, float]], curve: Curve) -> str:
    colour, width, dashes = (
        (_ACCENT, 2, "") if curve.accent else (_INK, 1.2, ' stroke-dasharray="6 4"')
    )
    if len(run) == 1:
        (x, y) = run[0]
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.6" fill="{colour}"/>'
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in run)
    return f'<polyline fill="none" stroke="{colour}" stroke-width="{width}"{dashes} points="{points}"/>'


def _key(curves: Sequence[Curve], height: int, stops: bool) -> list[str]:
    """What is what, in the upper right corner, from right to left."""
    parts: list[str] = []
    right = float(_WIDTH - _RIGHT)
    names = list(dict.fromkeys((c.name, c.accent, False) for c in curves))
    names += [("stopped", False, True)] if stops else []
    for name, accent, stop in reversed(names):
        left = right - 6.6 * len(name) - 30
        if stop:
            parts.append(
                f'<rect x="{left:.1f}" y="7" width="22" height="9" fill="{_STOP}" fill-opacity="0.3"/>'
            )
        else:
            parts.append(_path([(left, 11.0), (left + 22, 11.0)], Curve(name, (), accent)))
        parts.append(_words(left + 26, 15, name))
        right = left - 10
    return parts


def ticks(low: float, high: float, unit: str = "") -> Axis:
    """Return an axis of values that ends at round figures on both sides."""
    wide = (high - low) or abs(high) or 1.0
    power = 10.0 ** _power(wide / _RULES)
    step = next(s * power for s in _STEPS if s * power >= wide / _RULES * (1 - 1e-9))
    first, last = int(low // step), int(-(-high // step))
    last = max(last, first + 1)
    marks = [(n * step, f"{n * step:g}{unit}") for n in range(first, last + 1)]
    return Axis(first * step, last * step, marks)


def _power(value: float) -> int:
    power = 0
    while 10.0**power > value:
        power -= 1
    while 10.0 ** (power + 1) <= value:
        power += 1
    return power


def _line(x1: float, y1: float, x2: float, y2: float, colour: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"/>'


def _words(x: float, y: float, words: str, anchor: str = "start", bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{weight} fill="{_INK}">{_safe(words)}</text>'


def _safe(words: str) -> str:
    return escape("".join(c if c.isprintable() else "?" for c in words))
