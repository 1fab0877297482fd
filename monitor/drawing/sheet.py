"""A wiring picture on a grid of characters, drawn twice from one description: as text and as SVG.

Columns and rows are those of the text; in the SVG a cell is 9 × 22 units, so a sheet of 44 columns
is about 400 wide and its lettering still reads on a screen of 360 px and on paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal
from xml.sax.saxutils import escape

import msgspec

CELL_W, CELL_H, MARGIN = 9, 22, 8
FONT = 14
ACCENT = "#0b7285"
STYLE = (
    "svg{color:#1c2b33;background:#fff;font:14px system-ui,'DejaVu Sans',sans-serif}"
    ".paper{fill:#fff}.accent{fill:#0b7285;stroke:#0b7285}"
    "@media screen and (prefers-color-scheme:dark){svg{color:#e6eef2;background:#12191d}"
    ".paper{fill:#12191d}.accent{fill:#4dc4d6;stroke:#4dc4d6}}"
)
Anchor = Literal["start", "middle", "end"]
Point = tuple[int, int]

# Which way a line leaves a cell: up 1, right 2, down 4, left 8.
_LINES = {
    1: "│", 4: "│", 5: "│", 2: "─", 8: "─", 10: "─", 3: "└", 6: "┌", 9: "┘", 12: "┐",
    7: "├", 13: "┤", 11: "┴", 14: "┬", 15: "┼",
}  # fmt: skip


class Wire(msgspec.Struct, frozen=True):
    """A line through corners; each stretch is level or upright."""

    corners: Sequence[Point]


class Dot(msgspec.Struct, frozen=True):
    """Where wires are joined."""

    at: Point


class Words(msgspec.Struct, frozen=True):
    """Lettering; `at` is its start, middle or end."""

    at: Point
    words: str
    anchor: Anchor = "start"
    bold: bool = False


class Resistor(msgspec.Struct, frozen=True):
    """A resistor: level with its label inside from `at` on, or upright with the label beside."""

    at: Point
    label: str
    upright: bool = False


class Capacitor(msgspec.Struct, frozen=True):
    """A capacitor between an upright wire from above and one from below; two rows, label right."""

    at: Point
    label: str


class Frame(msgspec.Struct, frozen=True):
    """A box with a title in its upper edge; wires may end at its edges."""

    at: Point
    columns: int
    rows: int
    title: str


class Pin(msgspec.Struct, frozen=True):
    """A pin of the header: a ring, filled where something is connected."""

    at: Point
    used: bool


Part = Wire | Dot | Words | Resistor | Capacitor | Frame | Pin


class Sheet(msgspec.Struct, frozen=True):
    """One picture: its title, its size in columns and rows, its parts in the order of drawing."""

    title: str
    columns: int
    rows: int
    parts: Sequence[Part]


def level_width(label: str) -> int:
    """Return the columns that a level resistor takes, its two edges counted."""
    return len(label) + 2


def as_text(sheet: Sheet) -> str:
    """Return the picture in box-drawing characters, without spaces at the ends of lines."""
    lines = [[0] * sheet.columns for _ in range(sheet.rows)]
    marks: dict[Point, str] = {}
    for part in sheet.parts:
        _rule(part, lines)
    for part in sheet.parts:
        _letter(part, marks)
    rows = []
    for row in range(sheet.rows):
        cells = (
            marks.get((column, row)) or _LINES.get(lines[row][column], " ")
            for column in range(sheet.columns)
        )
        rows.append("".join(cells).rstrip())
    return "\n".join(rows) + "\n"


def _rule(part: Part, lines: list[list[int]]) -> None:
    if isinstance(part, Wire):
        for start, end in zip(part.corners, part.corners[1:], strict=False):
            _stretch(start, end, lines)
    elif isinstance(part, Frame):
        (left, top), right, bottom = part.at, part.at[0] + part.columns - 1, part.at[1] + part.rows
        corners = [(left, top), (right, top), (right, bottom - 1), (left, bottom - 1), (left, top)]
        _rule(Wire(corners), lines)


def _stretch(start: Point, end: Point, lines: list[list[int]]) -> None:
    (column, row), (to_column, to_row) = start, end
    across = (to_column > column) - (to_column < column)
    down = (to_row > row) - (to_row < row)
    leave = {(1, 0): 2, (-1, 0): 8, (0, 1): 4, (0, -1): 1}[across, down]
    arrive = {2: 8, 8: 2, 4: 1, 1: 4}[leave]
    while (column, row) != (to_column, to_row):
        lines[row][column] |= leave
        column, row = column + across, row + down
        lines[row][column] |= arrive


def _letter(part: Part, marks: dict[Point, str]) -> None:
    if isinstance(part, Dot):
        marks[part.at] = "●"
    elif isinstance(part, Pin):
        marks[part.at] = "●" if part.used else "○"
    elif isinstance(part, Words):
        _write(part.at, part.words, part.anchor, marks)
    elif isinstance(part, Frame):
        _write((part.at[0] + 2, part.at[1]), f" {part.title} ", "start", marks)
    elif isinstance(part, Resistor) and part.upright:
        _write(part.at, "[R]", "middle", marks)
        _write((part.at[0] + 3, part.at[1]), part.label, "start", marks)
    elif isinstance(part, Resistor):
        _write(part.at, f"[{part.label}]", "start", marks)
    elif isinstance(part, Capacitor):
        _write(part.at, "─┴─", "middle", marks)
        _write((part.at[0], part.at[1] + 1), "─┬─", "middle", marks)
        _write((part.at[0] + 3, part.at[1]), part.label, "start", marks)


def _write(at: Point, words: str, anchor: Anchor, marks: dict[Point, str]) -> None:
    column = at[0] - {"start": 0, "middle": len(words) // 2, "end": len(words) - 1}[anchor]
    for offset, letter in enumerate(words):
        marks[column + offset, at[1]] = letter


def as_svg(*sheets: Sheet) -> str:
    """Return the sheets one below another as one SVG that stands alone, each under its title."""
    width = max(sheet.columns for sheet in sheets) * CELL_W + 2 * MARGIN
    parts: list[str] = []
    top = MARGIN
    for sheet in sheets:
        parts.append(
            f'<text x="{MARGIN}" y="{top + 16}" font-size="15" font-weight="600" '
            f'fill="currentColor">{_escaped(sheet.title)}</text>'
        )
        top += 30
        parts.append(f'<g transform="translate({MARGIN} {top})">')
        parts += [drawn for part in sheet.parts for drawn in _svg(part)]
        parts.append("</g>")
        top += sheet.rows * CELL_H + MARGIN
    return framed(", ".join(sheet.title for sheet in sheets), width, top, parts)


def framed(title: str, width: int, height: int, parts: Sequence[str]) -> str:
    """Return parts as a whole SVG with a title, on paper of its own."""
    said = _escaped(title)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{said}">'
    )
    paper = f'<rect class="paper" width="{width}" height="{height}"/>'
    return "\n".join(
        [head, f"<title>{said}</title><style>{STYLE}</style>", paper, *parts, "</svg>", ""]
    )


def _middle(at: Point) -> tuple[float, float]:
    return (at[0] + 0.5) * CELL_W, (at[1] + 0.5) * CELL_H


def _svg(part: Part) -> list[str]:
    if isinstance(part, Wire):
        points = " ".join(f"{x:g},{y:g}" for x, y in map(_middle, part.corners))
        return [f'<polyline fill="none" stroke="currentColor" stroke-width="2" points="{points}"/>']
    if isinstance(part, Frame):
        return _frame(part)
    x, y = _middle(part.at)
    if isinstance(part, Dot):
        return [f'<circle class="accent" cx="{x:g}" cy="{y:g}" r="4.5"/>']
    if isinstance(part, Pin):
        fill = 'class="accent"' if part.used else 'fill="none" stroke="currentColor"'
        return [f'<circle {fill} cx="{x:g}" cy="{y:g}" r="6" stroke-width="2"/>']
    if isinstance(part, Words):
        shift = {"start": -CELL_W / 2, "middle": 0.0, "end": CELL_W / 2}[part.anchor]
        return [lettering(x + shift, y, part.words, part.anchor, part.bold)]
    if isinstance(part, Capacitor):
        return _capacitor(x, y, part.label)
    return _resistor(part, x, y)


def _frame(part: Frame) -> list[str]:
    x, y = _middle(part.at)
    width, height = (part.columns - 1) * CELL_W, (part.rows - 1) * CELL_H
    room = len(part.title) * 9 + 10
    return [
        f'<rect class="paper" x="{x:g}" y="{y:g}" width="{width}" height="{height}" rx="4" '
        'stroke="currentColor" stroke-width="2"/>',
        f'<rect class="paper" x="{x + 12:g}" y="{y - 3:g}" width="{room}" height="6"/>',
        lettering(x + 16, y, part.title, "start", bold=True),
    ]


def _capacitor(x: float, y: float, label: str) -> list[str]:
    upper, lower = y + CELL_H / 2 - 4, y + CELL_H / 2 + 4
    return [
        f'<rect class="paper" x="{x - 2:g}" y="{upper:g}" width="4" height="8"/>',
        f'<path d="M{x:g} {y:g}V{upper:g}M{x - 12:g} {upper:g}h24M{x - 12:g} {lower:g}h24M{x:g} {lower:g}'
        f'V{y + CELL_H:g}" stroke="currentColor" stroke-width="2" fill="none"/>',
        lettering(x + 17, y + CELL_H / 2, label, "start", bold=True),
    ]


def _resistor(part: Resistor, x: float, y: float) -> list[str]:
    body = 'class="paper" stroke="currentColor" stroke-width="2" rx="2"'
    if part.upright:
        return [
            f'<rect {body} x="{x - 6:g}" y="{y - 14:g}" width="12" height="28"/>',
            lettering(x + 3 * CELL_W - CELL_W / 2, y, part.label, "start", bold=True),
        ]
    width = level_width(part.label) * CELL_W
    left = x - CELL_W / 2
    return [
        f'<rect {body} x="{left:g}" y="{y - 10:g}" width="{width}" height="20"/>',
        lettering(left + width / 2, y, part.label, "middle", bold=True),
    ]


def lettering(x: float, y: float, words: str, anchor: Anchor, bold: bool = False) -> str:
    """Return words whose middle is at a height."""
    weight = ' font-weight="600"' if bold else ""
    return (
        f'<text x="{x:g}" y="{y + 5:g}" text-anchor="{anchor}" font-size="{FONT}"{weight} '
        f'fill="currentColor">{_escaped(words)}</text>'
    )


def _escaped(words: str) -> str:
    """XML has no room for control characters."""
    printable = "".join(c if c.isprintable() else "?" for c in words)
    return escape(printable, {'"': "&quot;"})
