"""The drawn circuits, read back from their text: what is joined with what, and what fits the paper."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from monitor.commands.pictures import pictures
from monitor.drawing.sheet import Sheet, as_svg, as_text
from monitor.wiring.circuits import header_sheet, probe_sheet, sensor_sheet
from monitor.wiring.plan import Output, SensorWiring

FOLDER = Path(__file__).resolve().parents[3] / "deploy" / "pictures"
SVG = "{http://www.w3.org/2000/svg}"
UP, RIGHT, DOWN, LEFT = (0, -1), (1, 0), (0, 1), (-1, 0)
LEAVES = {
    "│": (UP, DOWN), "─": (LEFT, RIGHT), "┌": (RIGHT, DOWN), "┐": (LEFT, DOWN), "└": (UP, RIGHT),
    "┘": (UP, LEFT), "●": (UP, RIGHT, DOWN, LEFT),
}  # fmt: skip


def wired(output: Output, cable_m: float = 2.0) -> Sheet:
    return sensor_sheet(SensorWiring("left", 17, output, cable_m, 225.0))


class Read:
    """Follows the wires of a text picture."""

    def __init__(self, sheet: Sheet) -> None:
        self.rows = as_text(sheet).splitlines()
        assert "┼" not in "".join(self.rows), "wires cross"

    def cell(self, x: int, y: int) -> str:
        return self.rows[y][x] if 0 <= y < len(self.rows) and 0 <= x < len(self.rows[y]) else " "

    def start(self, word: str) -> tuple[int, int]:
        """The wire that leaves the sensor at a word."""
        y = next(n for n, row in enumerate(self.rows) if row.startswith("│") and f"{word} ├" in row)
        return self.rows[y].index("├") + 1, y

    def net(self, start: tuple[int, int]) -> set[str]:
        """Everything that this wire reaches: words of the header, ends of parts."""
        seen: set[tuple[int, int]] = set()
        found: set[str] = set()
        todo = [start]
        while todo:
            x, y = todo.pop()
            if (x, y) in seen:
                continue
            seen.add((x, y))
            for dx, dy in LEAVES.get(self.cell(x, y), ()):
                there = self.cell(x + dx, y + dy)
                if (-dx, -dy) in LEAVES.get(there, ()):
                    todo.append((x + dx, y + dy))
                elif (end := self.end(x + dx, y + dy, (dx, dy))) is not None:
                    found.add(end)
        return found

    def end(self, x: int, y: int, way: tuple[int, int]) -> str | None:
        """The part's end at a cell that is no wire."""
        letter, row = self.cell(x, y), self.rows[y] if 0 <= y < len(self.rows) else ""
        side = {UP: "lower", DOWN: "upper", LEFT: "right", RIGHT: "left"}[way]
        if letter in "┤├":
            words = re.findall(r"LED[+−]|\b[CE]\b|\d+ +[\w. ]+?(?= *│)", row)
            if x > 30:
                return str(words[-1])
            return (
                next((w for w in words if w in ("C", "E")), None)
                if letter == "├" and x > 20
                else (next((w for w in words if w.startswith("LED")), None))
            )
        if letter == "R" and way in (UP, DOWN):
            return f"resistor at {x} {side}"
        if letter in "[]" and way in (LEFT, RIGHT):
            return f"{re.findall(r'R[0-9]', row)[0]} {side}"
        if letter in "┴┬" and way in (UP, DOWN):
            return f"C1 {side}"
        return None


def test_an_open_collector_is_pulled_to_3v3_and_only_that() -> None:
    read = Read(wired(Output.OPEN_COLLECTOR))
    assert read.net(read.start("+")) == {"2 5 V"}
    assert read.net(read.start("output")) == {"resistor at 13 lower", "R2 left"}
    assert read.net((20, 3)) == {"resistor at 13 upper", "1 3.3 V"}
    assert read.net((28, 6)) == {"R2 right", "11 GPIO17", "C1 upper"}
    assert read.net(read.start("−")) == {"9 ground", "C1 lower"}


def test_a_driven_output_reaches_the_pin_only_through_the_divider() -> None:
    read = Read(wired(Output.DRIVEN_5V))
    assert read.net(read.start("+")) == {"2 5 V"}
    assert read.net(read.start("output")) == {"R1 left"}
    assert read.net((28, 4)) == {"R1 right", "resistor at 15 upper", "C1 upper", "11 GPIO17"}
    assert read.net(read.start("−")) == {"resistor at 15 lower", "C1 lower", "9 ground"}


def test_nothing_of_the_sensor_reaches_the_pin_past_the_opto_coupler() -> None:
    read = Read(wired(Output.UNKNOWN))
    assert read.net(read.start("+")) == {"2 5 V", "resistor at 13 upper"}
    assert read.net(read.start("output")) == {"LED−"}
    assert read.net((13, 5)) == {"resistor at 13 lower", "LED+"}
    assert read.net((28, 5)) == {"C", "resistor at 28 lower", "11 GPIO17"}
    assert read.net((28, 2)) == {"1 3.3 V", "resistor at 28 upper"}
    assert read.net(read.start("−")) == {"9 ground", "E"}


def test_the_probe_is_fed_3v3_and_its_data_line_pulled_up() -> None:
    read = Read(probe_sheet(4))
    assert read.net(read.start("+")) == {"17 3.3 V", "resistor at 17 upper"}
    assert read.net(read.start("data")) == {"7 GPIO4", "resistor at 17 lower"}
    assert read.net(read.start("−")) == {"9 ground"}


def test_the_header_marks_what_is_used_and_nothing_else() -> None:
    used = [SensorWiring("left", 17, Output.OPEN_COLLECTOR, 2.0, 225.0)]
    text = as_text(header_sheet(used, 4))
    marked = {int(n) for n in re.findall(r"(\d+) ●", text)} | {
        int(n) for n in re.findall(r"● (\d+)", text)
    }
    assert marked == {1, 2, 7, 9, 11, 17}  # 3.3 V, 5 V, data, ground, pulses, the probe's 3.3 V
    assert "GPIO17 left 11" in text


def lettered(drawn: str) -> tuple[float, float, list[tuple[float, float, float, float, str]]]:
    """Size of the paper, and of each lettering left, top, right, bottom and its words.

    A letter is taken as 0.58 of its size wide, 0.64 when bold: wider than the usual sans serif's mean.
    """
    root = ElementTree.fromstring(drawn)
    width, height = map(float, root.attrib["viewBox"].split()[2:])
    found = []

    def walk(element: ElementTree.Element, dx: float, dy: float) -> None:
        if moved := re.match(r"translate\(([\d.]+) ([\d.]+)\)", element.get("transform", "")):
            dx, dy = dx + float(moved[1]), dy + float(moved[2])
        if element.tag == f"{SVG}text":
            size, words = float(element.attrib["font-size"]), element.text or ""
            long = len(words) * size * (0.64 if element.get("font-weight") else 0.58)
            back = {"start": 0.0, "middle": long / 2, "end": long}[
                element.get("text-anchor", "start")
            ]
            x, y = float(element.attrib["x"]) + dx - back, float(element.attrib["y"]) + dy
            found.append((x, y - 0.75 * size, x + long, y + 0.2 * size, words))
        for inner in element:
            walk(inner, dx, dy)

    walk(root, 0.0, 0.0)
    return width, height, found


LONG = [
    SensorWiring("a_name_of_thirty_two_letters_" + "abc"[n] * 3, pin, output, 2.0, 225.0)
    for n, (pin, output) in enumerate(zip([17, 27, 22], Output, strict=True))
]
DRAWN = {
    **pictures(),
    "long names": as_svg(*(sensor_sheet(s) for s in LONG), header_sheet(LONG, 4)),
    "fast": as_svg(sensor_sheet(SensorWiring("x", 17, Output.DRIVEN_5V, 5.0, 3900.0))),
}


@pytest.mark.parametrize("name", DRAWN)
def test_pictures_read_on_a_narrow_screen(name: str) -> None:
    """At 360 px wide no lettering is below 11 px; none leaves the paper or lies upon another."""
    width, height, found = lettered(DRAWN[name])
    sizes = re.findall(r'font-size="(\d+)"', DRAWN[name])
    assert min(map(float, sizes)) * 360 / width >= 11
    for n, (left, top, right, bottom, words) in enumerate(found):
        assert left >= 0, words
        assert top >= 0, words
        assert right <= width, words
        assert bottom <= height, words
        for other_left, other_top, other_right, other_bottom, other in found[:n]:
            apart = right <= other_left or other_right <= left
            assert apart or bottom <= other_top or other_bottom <= top, f"{words} upon {other}"


def test_a_long_name_is_written_out_below_the_header() -> None:
    text = as_text(header_sheet(LONG, None))
    assert all(sensor.filter_id in text for sensor in LONG)


@pytest.mark.parametrize(
    "sheet", [*(wired(o) for o in Output), probe_sheet(4)], ids=lambda s: s.title
)
def test_the_text_is_narrow_enough_for_a_telephone(sheet: Sheet) -> None:
    assert max(map(len, as_text(sheet).splitlines())) <= 44


def test_the_pictures_of_the_guide_are_in_step() -> None:
    """Mend it with `.venv/bin/python -m monitor.commands.pictures deploy/pictures`."""
    drawn = pictures()
    assert {file.name for file in FOLDER.iterdir()} == drawn.keys()
    for name, text in drawn.items():
        assert (FOLDER / name).read_text(encoding="utf-8") == text, name
        ElementTree.fromstring(text)
