"""A line chart as SVG that reads on light and dark paper and needs no script and no font file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.sax.saxutils import escape

import msgspec

_WIDTH, _HEIGHT = 720, 440
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 20, 48, 56
_TICKS = 6
# One accent; everything else takes the colour of the text around it.
_ACCENT = "#0b7285"
_STYLE = (
    "svg{color:#1c2b33;background:#fff;font:14px system-ui,sans-serif}"
    "@media(prefers-color-scheme:dark){svg{color:#e6eef2;background:#12191d}}"
)


class Line(msgspec.Struct, frozen=True):
    """One curve: its name, its points, whether it is the one that matters, its dashes."""

    name: str
    points: Sequence[tuple[float, float]]
    accent: bool = False
    dashes: str = ""


class Mark(msgspec.Struct, frozen=True):
    """A named point."""

    name: str
    x: float
    y: float


def line_chart(
    title: str, x_label: str, y_label: str, lines: Sequence[Line], marks: Sequence[Mark] = ()
) -> str:
    """Return the chart; both axes begin at zero.

    Args:
        title, x_label, y_label: texts, with units in the labels.
        lines: at least one, each with at least two points of zero or more.
        marks: points to name.
    """
    x_top = _rounded_up(max(x for line in lines for x, _ in line.points))
    y_top = _rounded_up(max(y for line in lines for _, y in line.points))
    across, up = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM

    def at(x: float, y: float) -> tuple[float, float]:
        return _LEFT + across * x / x_top, _TOP + up * (1 - y / y_top)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" '
        f'aria-label="{escape(_printable(title), {chr(34): "&quot;"})}">',
        f"<title>{escape(_printable(title))}</title><style>{_STYLE}</style>",
        _text(_LEFT, 26, title, size=17, bold=True),
    ]
    for tick in _ticks(x_top):
        x, bottom = at(tick, 0.0)
        parts.append(_rule(x, _TOP, x, bottom))
        parts.append(_text(x, bottom + 20, f"{tick:g}", anchor="middle"))
    for tick in _ticks(y_top):
        left, y = at(0.0, tick)
        parts.append(_rule(left, y, _WIDTH - _RIGHT, y))
        parts.append(_text(left - 8, y + 5, f"{tick:g}", anchor="end"))
    parts.append(_text(_LEFT + across / 2, _HEIGHT - 12, x_label, anchor="middle"))
    parts.append(
        f'<g transform="translate(18 {_TOP + up / 2:.1f}) rotate(-90)">'
        + _text(0, 0, y_label, anchor="middle")
        + "</g>"
    )
    for number, line in enumerate(lines):
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in (at(*p) for p in line.points))
        colour, width = (_ACCENT, 3) if line.accent else ("currentColor", 1.8)
        dashes = f' stroke-dasharray="{line.dashes}"' if line.dashes else ""
        parts.append(
            f'<polyline fill="none" stroke="{colour}" stroke-width="{width}"{dashes} '
            f'points="{points}"/>'
        )
        key_y = _TOP + 14 + 20 * number
        parts.append(
            f'<line x1="{_WIDTH - 250}" x2="{_WIDTH - 215}" y1="{key_y - 5}" y2="{key_y - 5}" '
            f'stroke="{colour}" stroke-width="{width}"{dashes}/>'
        )
        parts.append(_text(_WIDTH - 208, key_y, line.name))
    for mark in marks:
        x, y = at(mark.x, mark.y)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="{_ACCENT}"/>')
        parts.append(_text(x + 9, y - 9, mark.name, bold=True))
    return "\n".join([*parts, "</svg>", ""])


def _text(
    x: float, y: float, words: str, anchor: str = "start", size: int = 13, bold: bool = False
) -> str:
    weight = ' font-weight="600"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}"{weight} '
        f'fill="currentColor">{escape(_printable(words))}</text>'
    )


def _printable(words: str) -> str:
    """XML has no room for control characters."""
    return "".join(c if c.isprintable() else "?" for c in words)


def _rule(x1: float, y1: float, x2: float, y2: float) -> str:
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="currentColor" '
        'stroke-opacity="0.15"/>'
    )


def _rounded_up(value: float) -> float:
    """The next of 1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8 times a power of ten."""
    if value <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    steps = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
    return next(step * power for step in steps if step * power >= value * (1 - 1e-9))


def _ticks(top: float) -> list[float]:
    step = _rounded_up(top / _TICKS)
    return [step * n for n in range(int(top / step * (1 + 1e-9)) + 1)]
