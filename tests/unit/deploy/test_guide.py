"""The guide and its safety page: every caution stands there, figures add up, links lead somewhere."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from monitor.commands.pictures import pictures
from monitor.wiring.plan import Output, SensorWiring, figures

DEPLOY = Path(__file__).resolve().parents[3] / "deploy"
GUIDE, SAFETY = ((DEPLOY / name).read_text(encoding="utf-8") for name in ("GUIDE.md", "SAFETY.md"))

# What people and animals at a tank are to be warned of: all words of a line, in one paragraph or point.
CAUTIONS = {
    "extra-low voltage": ("extra-low voltage", "safety isolating", "SELV", "PELV"),
    "an earthed network cable": ("earthed", "network cable", "PELV"),
    "wet places": ("wet", "limits"),
    "30 mA": ("RCD", "30 mA", "GFCI"),
    "drip loops": ("drip loop",),
    "supply above and away": ("supply", "above", "water"),
    "IP codes": ("IP", "IPX7", "not"),
    "hands": ("hands", "unplug", "water"),
    "no mains switching": ("switch", "mains", "nothing"),
    "lifting": ("canister", "full", "kg"),
    "UV": ("UV", "eyes", "housing"),
    "heaters": ("heater", "flow stops"),
    "scalding": ("scalding",),
    "livestock": ("pair of eyes", "never the only safeguard"),
    "stale water": ("after a long stop", "rinse", "restart"),
    "codes and electricians": ("local codes", "licensed electrician"),
}


def points(text: str) -> list[str]:
    """Paragraphs, list points, table rows and headed sections' first words, each on one line."""
    found = re.split(r"\n\s*\n|\n(?=\s*(?:[-*|#]|\d+\.)\s?)", text)
    return [" ".join(point.split()).lower() for point in found]


@pytest.mark.parametrize("words", CAUTIONS.values(), ids=CAUTIONS.keys())
@pytest.mark.parametrize("text", [GUIDE, SAFETY], ids=["guide", "safety page"])
def test_every_caution_stands_in_one_breath(text: str, words: tuple[str, ...]) -> None:
    paragraphs = points(text)
    sections = [" ".join(s.split()).lower() for s in re.split(r"\n(?=## )", text)]
    where = sections if text is SAFETY else paragraphs
    assert any(all(w.lower() in point for w in words) for point in where)


def test_the_cautions_come_before_any_work() -> None:
    heads = re.findall(r"^## (.+)$", GUIDE, re.MULTILINE)
    assert heads[0] == "1. Cautions"
    assert "(SAFETY.md)" in GUIDE[: GUIDE.index("## 2.")]


def test_each_row_of_a_standard_says_how_sure_it_is() -> None:
    rows = [r for r in SAFETY.splitlines() if re.match(r"\|.*\b(IEC|EN|ISO|UL|NEC)\b", r)]
    assert len(rows) >= 15
    for row in rows:
        sure = row.rstrip("| ").rsplit("|", 1)[1]
        assert re.search(r"\bread\b|second hand|from memory", sure), row


def test_a_standard_outside_a_table_says_it_beside_it() -> None:
    prose = [p for p in re.split(r"\n\s*\n|\n- ", SAFETY) if "|" not in p]
    for paragraph in prose:
        if re.search(r"\b(IEC|ISO|UL) \d", " ".join(paragraph.split())):
            assert "from memory" in " ".join(paragraph.split()), paragraph


@pytest.mark.parametrize("name", ["GUIDE.md", "SAFETY.md"])
def test_links_and_pictures_lead_somewhere(name: str) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", (DEPLOY / name).read_text(encoding="utf-8")):
        assert (DEPLOY / target).exists(), target


def test_every_picture_is_shown_and_described() -> None:
    shown = re.findall(r"!\[([^\]]{30,})\]\(pictures/([\w-]+\.svg)\)", GUIDE)
    assert {name for _, name in shown} == pictures().keys()


def test_what_a_sensors_bore_costs() -> None:
    """h = K v²/2g with v = Q/A (Darcy and Weisbach; K = 5), at the flow that the guide names."""
    rows = re.findall(r"^\| (\d+) mm \| ([\d.]+) m \|$", GUIDE, re.MULTILINE)
    assert len(rows) == 4
    for bore_mm, head_m in rows:
        speed = 600e-3 / 3600 / (math.pi / 4 * (int(bore_mm) / 1000) ** 2)
        assert float(head_m) == pytest.approx(5 * speed**2 / (2 * 9.80665), abs=0.006)


def test_the_guides_figures_are_those_of_the_wiring() -> None:
    def of(output: Output) -> str:
        found = figures(SensorWiring("x", 17, output, 2.0, 225.0))
        return f"{found.highest_v:.2f} V {(found.corner_hz or 0) / 1000:.1f} kHz {found.sink_ma:.1f} mA"

    assert "3.27 V" in GUIDE
    assert of(Output.DRIVEN_5V).startswith("3.27 V")
    assert "1.4 kHz" in GUIDE
    assert "1.4 kHz" in of(Output.OPEN_COLLECTOR)
    assert "3.3 mA" in GUIDE
    assert of(Output.UNKNOWN).endswith("3.3 mA")


def test_steps_are_numbered_in_order() -> None:
    numbers = [int(n) for n in re.findall(r"^## (\d+)\. ", GUIDE, re.MULTILINE)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert not re.findall(r"\bstep \d", GUIDE), "steps are the points within a chapter"
    for step in re.findall(r"\bchapter (\d+)", GUIDE):
        assert int(step) in numbers
