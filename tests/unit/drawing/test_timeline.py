"""A timeline says what it shows, breaks at gaps and stays within its frame."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from monitor.drawing.timeline import Axis, Curve, ticks, timeline

SVG = "{http://www.w3.org/2000/svg}"
TIME = Axis(0.0, 100.0, [(0.0, "1 Mar"), (50.0, "2 Mar")])


def drawn(*curves: Curve, **other: object) -> ET.Element:
    return ET.fromstring(
        timeline("Flow <&>", 'says "all"', TIME, ticks(0.0, 780.0), curves, **other)
    )  # type: ignore[arg-type]


def test_title_and_description_come_first_and_are_escaped() -> None:
    svg = drawn(Curve("flow", [(0.0, 1.0), (1.0, 2.0)], True))
    assert [child.tag for child in svg][:2] == [f"{SVG}title", f"{SVG}desc"]
    assert svg[0].text == "Flow <&>"
    assert svg[1].text == 'says "all"'
    assert svg.get("role") == "img"


def test_a_gap_breaks_the_line_and_a_lone_value_is_a_dot() -> None:
    points = [
        (0.0, 700.0),
        (10.0, 690.0),
        (20.0, None),
        (30.0, 680.0),
        (40.0, None),
        (50.0, 0.0),
        (60.0, 0.0),
    ]
    svg = drawn(Curve("flow", points, True))
    lines = [
        e.get("points") or ""
        for e in svg.iter(f"{SVG}polyline")
        if "11.0" not in (e.get("points") or "")
    ]
    assert [len(line.split()) for line in lines] == [2, 2]
    assert len(list(svg.iter(f"{SVG}circle"))) == 1
    floor = {p.split(",")[1] for p in lines[1].split()}
    assert floor == {f"{26 + 230 - 26 - 34:.1f}"}, "zero stands on the axis"


def test_a_stop_is_wide_enough_to_see_and_deeds_stay_inside() -> None:
    svg = drawn(Curve("flow", [(0.0, 1.0), (99.0, 1.0)], True), stops=[(50.0, 50.001), (-50.0, 200.0)],
                deeds=[(99.5, "cleaned")])  # fmt: skip
    narrow, whole = (e for e in svg.iter(f"{SVG}rect") if e.get("height") == "170")
    assert float(narrow.get("width") or 0) >= 2
    assert float(whole.get("x") or 0) == 56
    assert float(whole.get("width") or 0) == pytest.approx(720 - 56 - 12)
    (mark,) = [e for e in svg.iter(f"{SVG}text") if e.text == "cleaned"]
    assert mark.get("text-anchor") == "end"


@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 780.0), (24.3, 25.1), (-3.0, 4.0), (0.0, 0.0), (5.0, 5.0), (0.0, 1e-4)]
)
def test_ticks_hold_the_values_in_round_steps(low: float, high: float) -> None:
    axis = ticks(low, high)
    assert axis.low <= low
    assert axis.high >= high
    assert axis.high > axis.low
    assert 2 <= len(axis.ticks) <= 9
    places = [place for place, _ in axis.ticks]
    assert places[0] == axis.low
    assert places[-1] == axis.high
    assert all(float(words) == pytest.approx(place) for place, words in axis.ticks)
