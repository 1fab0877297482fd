"""One description, two drawings: corners and joints in text, well-formed SVG whatever the words."""

from __future__ import annotations

from xml.etree import ElementTree

from monitor.drawing.sheet import (
    Capacitor,
    Dot,
    Frame,
    Resistor,
    Sheet,
    Wire,
    Words,
    as_svg,
    as_text,
)

NASTY = "a < b & \"c\" > 'd' </text><script>\x07"


def test_wires_turn_and_join_as_drawn() -> None:
    ring = Wire([(0, 0), (4, 0), (4, 2), (0, 2), (0, 0)])
    bar = Wire([(2, 0), (2, 2)])
    assert as_text(Sheet("x", 5, 3, [ring, bar])) == "┌─┬─┐\n│ │ │\n└─┴─┘\n"
    cross = [Wire([(0, 1), (4, 1)]), Wire([(2, 0), (2, 2)])]
    assert as_text(Sheet("x", 5, 3, cross)) == "  │\n──┼──\n  │\n"


def test_parts_stand_on_their_wires() -> None:
    parts = [
        Wire([(1, 0), (1, 5)]),
        Resistor((1, 1), "4.7 kΩ", upright=True),
        Capacitor((1, 3), "1 nF"),
        Dot((1, 5)),
        Wire([(1, 5), (3, 5)]),
        Resistor((4, 5), "1 kΩ"),
    ]
    assert as_text(Sheet("x", 12, 6, parts)).splitlines() == [
        " │", "[R] 4.7 kΩ", " │", "─┴─ 1 nF", "─┬─", " ●──[1 kΩ]",
    ]  # fmt: skip


def test_a_frame_has_its_title_in_its_edge() -> None:
    drawn = as_text(Sheet("x", 10, 3, [Frame((0, 0), 10, 3, "box"), Words((8, 1), "pin", "end")]))
    assert drawn.splitlines() == ["┌─ box ──┐", "│     pin│", "└────────┘"]


def test_any_words_are_words_in_the_svg() -> None:
    root = ElementTree.fromstring(as_svg(Sheet(NASTY, 40, 2, [Words((0, 0), NASTY)])))
    assert not [e for e in root.iter() if e.tag.endswith("script")]
    said = [e.text or "" for e in root.iter("{http://www.w3.org/2000/svg}text")]
    assert said == [NASTY.replace("\x07", "?")] * 2


def test_sheets_stand_below_one_another() -> None:
    one, two = Sheet("one", 10, 2, []), Sheet("two", 10, 3, [])
    heights = [
        float(ElementTree.fromstring(as_svg(*sheets)).attrib["viewBox"].split()[3])
        for sheets in ([one], [two], [one, two])
    ]
    assert max(heights[:2]) < heights[2] <= heights[0] + heights[1]
