"""The line chart: well-formed SVG that stands alone, with both axes from zero."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from monitor.drawing.chart import Line, Mark, line_chart

SVG = "{http://www.w3.org/2000/svg}"  # SVG 1.1, W3C Recommendation
PUMP = Line("pump", [(0.0, 1.5), (500.0, 1.125), (1000.0, 0.0)])
CLEAN = Line("clean circuit", [(0.0, 0.0), (500.0, 0.33), (900.0, 1.05)], accent=True)
FOULED = Line("fouled", [(0.0, 0.0), (500.0, 0.9)], dashes="6 4")
POINTS = [Mark("735", 735.0, 0.69), Mark("551", 551.0, 1.04)]
NASTY = "a < b & \"c\" > 'd' </text><script>alert(1)</script>"


def drawn(
    lines: list[Line] | None = None, marks: list[Mark] | None = None, title: str = "Left"
) -> ElementTree.Element:
    """The chart as parsed XML."""
    return ElementTree.fromstring(
        line_chart(title, "flow, L/h", "head, m", lines or [PUMP, CLEAN, FOULED], marks or POINTS)
    )


def texts(root: ElementTree.Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{SVG}text")]


def places(root: ElementTree.Element) -> list[list[tuple[float, float]]]:
    """The points of each curve, in the units of the picture."""
    curves = []
    for line in root.iter(f"{SVG}polyline"):
        pairs = (pair.split(",") for pair in line.attrib["points"].split())
        curves.append([(float(x), float(y)) for x, y in pairs])
    return curves


def numbers(root: ElementTree.Element) -> Iterator[float]:
    """Every coordinate in the picture."""
    for element in root.iter():
        for name in ("x", "y", "x1", "x2", "y1", "y2", "cx", "cy"):
            if name in element.attrib:
                yield float(element.attrib[name])
    for curve in places(root):
        for point in curve:
            yield from point


def test_it_is_well_formed_svg() -> None:
    root = drawn()
    assert root.tag == f"{SVG}svg"
    assert re.fullmatch(r"0 0 \d+ \d+", root.attrib["viewBox"])
    assert root.findtext(f"{SVG}title") == "Left"


def test_every_name_stands_in_it() -> None:
    found = texts(drawn())
    for name in ("Left", "flow, L/h", "head, m", "pump", "clean circuit", "fouled", "735", "551"):
        assert name in found


def test_every_name_is_escaped() -> None:
    lines = [Line(NASTY, PUMP.points), CLEAN]
    picture = line_chart(NASTY, NASTY, NASTY, lines, [Mark(NASTY, 1.0, 1.0)])
    root = ElementTree.fromstring(picture)
    assert texts(root).count(NASTY) == 5  # title, both labels, curve, point
    assert root.findtext(f"{SVG}title") == NASTY
    assert root.attrib["aria-label"] == NASTY
    assert "<script" not in picture


@pytest.mark.parametrize("name", ["Grünes Becken – 60 L", "水槽", "½″ hose, 5 µm"])
def test_names_keep_their_letters(name: str) -> None:
    assert name in texts(drawn(title=name))


def test_it_needs_nothing_from_elsewhere_and_runs_nothing() -> None:
    picture = line_chart("t", "x", "y", [PUMP], POINTS)
    assert re.findall(r"https?://[^\"' )]+", picture) == ["http://www.w3.org/2000/svg"]
    for word in ("<script", "href", "url(", "@import", "@font-face", "<image", "<foreignObject"):
        assert word not in picture
    assert not re.search(r"\bon[a-z]+=", picture)


# Axes -------------------------------------------------------------------------------------------


def test_both_axes_begin_at_zero() -> None:
    """A curve that starts far from zero is drawn far from the corner, and 0 stands on both axes."""
    far = Line("far", [(800.0, 1.2), (1000.0, 1.5)])
    origin = Line("origin", [(0.0, 0.0), (1000.0, 1.5)])
    root = drawn([far, origin])
    (far_x, far_y), (corner_x, corner_y) = places(root)[0][0], places(root)[1][0]
    top_x, top_y = places(root)[1][1]
    assert far_x - corner_x == pytest.approx(0.8 * (top_x - corner_x), abs=0.2)
    assert corner_y - far_y == pytest.approx(0.8 * (corner_y - top_y), abs=0.2)
    assert texts(root).count("0") == 2


def test_the_first_tick_of_each_axis_is_zero_at_the_corner() -> None:
    root = drawn()
    corner_x, corner_y = places(root)[1][0]  # the clean circuit starts at zero
    zeros = [e for e in root.iter(f"{SVG}text") if e.text == "0"]
    assert any(float(e.attrib["x"]) == pytest.approx(corner_x) for e in zeros)
    assert any(abs(float(e.attrib["y"]) - corner_y) < 10 for e in zeros)


def test_ticks_rise_in_equal_steps_and_cover_the_data() -> None:
    bottom = [
        float(e.text or "")
        for e in drawn().iter(f"{SVG}text")
        if e.attrib.get("text-anchor") == "middle" and re.fullmatch(r"[\d.]+", e.text or "")
    ]
    steps = {round(b - a, 6) for a, b in pairwise(bottom)}
    assert len(steps) == 1
    assert min(steps) > 0
    assert bottom[0] == 0.0
    assert 4 <= len(bottom) <= 8
    assert bottom[-1] + min(steps) > 1000.0


@pytest.mark.parametrize("scale", [1e-6, 0.013, 1.0, 37.0, 999.0, 1e6])
def test_everything_lies_within_the_picture(scale: float) -> None:
    lines = [Line("line", [(0.0, 0.0), (scale, 3.3 * scale), (2 * scale, scale)])]
    root = drawn(lines, [Mark("point", scale, scale)])
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    found = list(numbers(root))
    assert all(0 <= number <= max(width, height) for number in found)
    for curve in places(root):
        assert all(0 <= x <= width and 0 <= y <= height for x, y in curve)


def test_more_flow_is_to_the_right_and_more_head_higher_up() -> None:
    (start, middle, end), _, _ = places(drawn())
    assert start[0] < middle[0] < end[0]
    assert start[1] < middle[1] < end[1]  # head falls; y grows downwards


def test_a_mark_lies_on_the_curve_it_is_taken_from() -> None:
    root = drawn([PUMP, CLEAN], [Mark("500", 500.0, 1.125)])
    circle = next(root.iter(f"{SVG}circle"))
    x, y = places(root)[0][1]
    assert float(circle.attrib["cx"]) == pytest.approx(x)
    assert float(circle.attrib["cy"]) == pytest.approx(y)


def test_a_chart_of_zeros_is_still_a_chart() -> None:
    root = drawn([Line("none", [(0.0, 0.0), (0.0, 0.0)])], [Mark("0", 0.0, 0.0)])
    assert len(places(root)) == 1


# Curves -----------------------------------------------------------------------------------------


def test_the_curve_that_matters_stands_out() -> None:
    pump, clean, fouled = drawn().iter(f"{SVG}polyline")
    assert float(clean.attrib["stroke-width"]) > float(pump.attrib["stroke-width"])
    assert clean.attrib["stroke"] != pump.attrib["stroke"]
    assert fouled.attrib["stroke-dasharray"] == "6 4"
    assert "stroke-dasharray" not in pump.attrib


def test_light_and_dark_paper() -> None:
    """Other curves and words take the colour of the text around them."""
    root = drawn()
    assert "prefers-color-scheme:dark" in (root.findtext(f"{SVG}style") or "")
    assert {e.attrib["fill"] for e in root.iter(f"{SVG}text")} == {"currentColor"}


def test_the_same_data_gives_the_same_picture() -> None:
    first, second = (line_chart("t", "x", "y", [PUMP, CLEAN], POINTS) for _ in range(2))
    assert first == second
