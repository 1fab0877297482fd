"""`canister size` on the examples, and on what cannot be.

The examples are invented; only what follows from their figures is checked here.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

import pytest

from tests.support.commands import FILTER, fields, refusal, run

EXAMPLES = Path(__file__).resolve().parents[2] / "deploy" / "examples"
SET_UPS = [("planted", "planted"), ("community", "hall"), ("marine", "reef"), ("pair", "west")]
PLANTED = str(EXAMPLES / "planted.toml")
PAIR = str(EXAMPLES / "pair.toml")
US_GALLON_L = 3.785411784  # 231 cubic inches, NIST Handbook 44, appendix C


def every_number(value: Any) -> Iterator[float]:
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for inner in value:
            yield from every_number(inner)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield float(value)


# canister size ----------------------------------------------------------------------------------


def read_off(pattern: str, text: str) -> list[float]:
    """The numbers that a sentence gives; N stands for one in the pattern."""
    found = re.search(pattern.replace("N", r"([\d.]+)"), text)
    assert found is not None, pattern
    return [float(number) for number in found.groups()]


@pytest.mark.parametrize(("file", "name"), SET_UPS)
def test_size_tells_the_same_in_words_and_in_json(file: str, name: str) -> None:
    config = str(EXAMPLES / f"{file}.toml")
    found = fields("size", config, "--filter", name)
    said = run("size", config, "--filter", name).stdout
    factor, unit = (1 / US_GALLON_L, "gal/h") if file == "pair" else (1.0, "L/h")

    def agree(pattern: str, flows: list[float]) -> None:
        wanted = [flow * factor for flow in flows]
        assert read_off(pattern, said) == pytest.approx(wanted, abs=0.6)

    agree(f"clean flow N {unit}", [found["clean_flow_l_per_h"]])
    agree(f"pump's N {unit} at zero head", [found["rated_flow_l_per_h"]])
    agree(rf"common practice, no source\): N {unit}", [found["rule_of_trade_l_per_h"]])
    agree(
        f"Plausible: N {unit} to N {unit}, nine times in ten; median N {unit}",
        [*found["plausible_l_per_h"], found["median_l_per_h"]],
    )
    for row in found["sensor_bores"]:
        agree(f"[ ,]{row['bore_mm']:g} mm N {unit}", [row["clean_flow_l_per_h"]])
    tank = found["tank"]
    weights = read_off("Media: N kg dry, N kg of it biological.*full canister about N kg", said)
    assert weights == pytest.approx(
        [tank["media_kg"], tank["biological_kg"], tank["full_kg"]], abs=0.06
    )
    turnover, low, high = read_off(r"Turnover: N tank volumes an hour when clean \(N to N", said)
    assert turnover == pytest.approx(tank["turnover_per_h"], abs=0.06)
    assert [low, high] == tank["turnover_wanted_per_h"]
    assert f"limited by its {tank['serves_limited_by']}" in said
    for row in found["influences"][:4]:
        (share,) = read_off(f"{row['input']} N%", said)
        assert share == pytest.approx(100 * row["share"], abs=0.6)
    assert all(part["part"] in said for part in found["losses"])
    assert all(f"• {remark}" in said for remark in found["remarks"])


@pytest.mark.parametrize(("file", "name"), SET_UPS)
def test_the_fields_of_size_agree_with_one_another(file: str, name: str) -> None:
    found = fields("size", str(EXAMPLES / f"{file}.toml"), "--filter", name)
    assert found["filter"] == name
    clean, rated = found["clean_flow_l_per_h"], found["rated_flow_l_per_h"]
    assert found["share_of_rated"] == pytest.approx(clean / rated, abs=2e-4)
    assert found["rule_of_trade_l_per_h"] == pytest.approx(rated / 2, abs=0.1)
    assert sum(x["head_m"] for x in found["losses"]) == pytest.approx(found["head_m"], abs=1e-3)
    assert sum(x["share"] for x in found["losses"]) == pytest.approx(1.0, abs=1e-3)
    low, high = found["plausible_l_per_h"]
    assert low < found["median_l_per_h"] < high
    assert low < clean < high
    assert 0.35 <= found["share_of_rated"] <= 0.80  # common practice, no source
    shares = [row["share"] for row in found["influences"]]
    assert shares == sorted(shares, reverse=True)
    assert found["commissioning"] is None
    by_bore = [row["clean_flow_l_per_h"] for row in found["sensor_bores"]]
    assert all(narrow < wide for narrow, wide in pairwise(by_bore))
    numbers = list(every_number(found))
    assert all(math.isfinite(number) and number >= 0 for number in numbers)


def test_size_tells_of_every_filter_and_of_every_file() -> None:
    done = run("size", PAIR, PLANTED, "--json")
    assert [json.loads(line)["filter"] for line in done.stdout.splitlines()] == [
        "west",
        "east",
        "planted",
    ]


def test_size_of_a_filter_from_a_card_takes_its_pump_and_media() -> None:
    found = fields("size", PAIR, "--filter", "west")
    assert found["rated_flow_l_per_h"] == 1200.0
    parts = [row["part"] for row in found["losses"]]
    assert {"settlement", "coarse", "biological", "polish"} <= set(parts)


def test_size_of_mains_at_another_frequency() -> None:
    """1500 L/h at 60 Hz are 1250 L/h at 50 Hz (affinity law)."""
    found = fields("size", str(EXAMPLES / "marine.toml"))
    assert found["rated_flow_l_per_h"] == pytest.approx(1500 * 50 / 60, abs=0.1)


def test_size_in_us_units() -> None:
    metric = fields("size", PLANTED)
    said = run("size", PLANTED, CANISTER_SITE__UNITS="us").stdout
    gallons = metric["clean_flow_l_per_h"] / US_GALLON_L
    assert f"clean flow {gallons:.0f} gal/h" in said
    assert f"({metric['temperature_c'] * 1.8 + 32:.1f} °F)" in said
    assert "L/h" not in said
    low, high = (flow / US_GALLON_L for flow in metric["plausible_l_per_h"])
    assert f"Plausible: {low:.0f} gal/h to {high:.0f} gal/h" in said


def test_the_samples_of_the_range_can_be_chosen() -> None:
    few, many = (fields("size", PLANTED, "--samples", count) for count in ("100", "5000"))
    assert few["clean_flow_l_per_h"] == many["clean_flow_l_per_h"]
    assert few["median_l_per_h"] == pytest.approx(many["median_l_per_h"], rel=0.02)
    assert run("size", PLANTED, "--samples", "99").exit_code == 2


@pytest.mark.parametrize(
    ("measured", "said"),
    [
        ("0.99", "fits the description"),
        ("0.8", "below the lowest"),
        ("1.2", "above the hi"),
    ],
)
def test_a_measured_flow_is_held_against_the_model(measured: str, said: str) -> None:
    median = fields("size", PLANTED)["median_l_per_h"]
    flow = f"{float(measured) * median:.1f}"
    found = fields("size", PLANTED, "--measured", flow)["commissioning"]
    assert found["measured_l_per_h"] == pytest.approx(float(flow), abs=0.05)
    assert said in found["verdict"]
    text = run("size", PLANTED, "--measured", flow).stdout
    assert f"Measured {float(flow):.0f} L/h, plausible" in text
    assert found["verdict"] in text


def test_several_measured_flows_are_averaged() -> None:
    found = fields("size", PLANTED, "--measured", "270", "--measured", "290")["commissioning"]
    assert found["measured_l_per_h"] == 280.0


def test_measured_flows_of_the_file_are_used_and_options_come_first() -> None:
    """The east canister's file has 655 and 660 L/h."""
    found = fields("size", PAIR, "--filter", "east")["commissioning"]
    assert found["measured_l_per_h"] == pytest.approx(657.5, abs=0.05)
    low, high = found["range_l_per_h"]
    assert low < found["clean_flow_l_per_h"] < high
    option = fields("size", PAIR, "--filter", "east", "--measured", "700")["commissioning"]
    assert option["measured_l_per_h"] == 700.0


def test_a_wider_error_makes_a_wider_range() -> None:
    narrow, wide = (
        fields("size", PLANTED, "--measured", "280", "--measured-error", error)["commissioning"]
        for error in ("1", "10")
    )
    assert wide["plausible_l_per_h"][0] < narrow["plausible_l_per_h"][0]
    assert wide["range_l_per_h"][0] < narrow["range_l_per_h"][0]


@pytest.mark.parametrize(
    "options",
    [["--measured", "0"], ["--measured", "-5"], ["--measured", "nan"], ["--measured", "much"],
     ["--measured", "280", "--measured-error", "0"], ["--measured", "280", "--measured-error", "nan"]],
    ids=" ".join,
)  # fmt: skip
def test_an_impossible_measurement_is_refused(options: list[str]) -> None:
    done = run("size", PLANTED, *options)
    assert done.exit_code == 2
    assert "Traceback" not in done.output


def test_without_a_journal_the_monitor_has_learned_nothing(tmp_path: Path) -> None:
    env = {"CANISTER_STORAGE__FOLDER": str(tmp_path), "CANISTER_STORAGE__LIVE_FILE": ""}
    done = run("size", PLANTED, "--from-monitor", **env)
    assert done.exit_code == 1
    (line,) = done.stderr.strip().splitlines()
    assert "no journal yet; start canister run" in line


@pytest.mark.parametrize("basis", ["measured", "predicted"])
def test_what_the_monitor_has_learned_is_a_measurement(
    monkeypatch: pytest.MonkeyPatch, basis: str
) -> None:
    row = {"filter": "planted", "clean_flow_basis": basis, "clean_flow_l_per_h": 279.0}
    picture = SimpleNamespace(filters=[row])
    monkeypatch.setattr("monitor.app.picture.look", lambda *_: picture)
    done = run("size", PLANTED, "--from-monitor", "--json")
    if basis == "measured":
        assert json.loads(done.stdout)["commissioning"]["measured_l_per_h"] == 279.0
    else:
        assert done.exit_code == 1
        assert "planted: the monitor has not learned a clean flow yet" in done.stderr


def test_a_plot_is_svg_with_the_operating_points(tmp_path: Path) -> None:
    target = tmp_path / "planted.svg"
    found = fields("size", PLANTED, "--plot", str(target))
    root = ElementTree.parse(target).getroot()
    words = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    clean = found["clean_flow_l_per_h"]
    for name in ("pump", "clean circuit", "fouled, 75% of clean", "fouled, 50% of clean"):
        assert name in words
    for flow in (clean, 0.75 * clean, 0.5 * clean):
        assert f"{flow:.0f}" in words
    assert "flow, L/h" in words


def test_each_filter_of_a_file_gets_a_plot_of_its_own(tmp_path: Path) -> None:
    """The pair is shown in US gallons."""
    run("size", PAIR, "--plot", str(tmp_path / "plot.svg"))
    assert sorted(file.name for file in tmp_path.iterdir()) == ["plot-east.svg", "plot-west.svg"]
    assert "flow, gal/h" in (tmp_path / "plot-east.svg").read_text()


def test_a_plot_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    done = run("size", PLANTED, "--plot", str(tmp_path / "none" / "plot.svg"))
    assert done.exit_code == 1
    (line,) = done.stderr.strip().splitlines()
    assert "plot.svg: cannot be written: No such file or directory" in line


def test_an_unknown_filter_suggests_the_nearest() -> None:
    assert refusal(run("size", PAIR, "--filter", "wst")) == (
        "canister: --filter wst: unknown; the nearest known is west"
    )


# What cannot be ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "[filters.left.hoses.all]",
            "outlet = { height_above_surface_m = 3 }\n[filters.left.hoses.all]",
            "filters.left: no flow: the pump's maximum head of 1.5 m does not reach the outlet 3 m "
            "above the water; lower the outlet or use a stronger pump",
        ),
        (
            "max_head_m = 1.5 }",
            "max_head_m = 0.3 }\noutlet = { height_above_surface_m = 0.3 }",
            "filters.left: no flow: the pump's maximum head of 0.3 m does not reach the outlet",
        ),
        ("bore_mm = 16", "bore_mm = 0", "hoses.all.bore_mm: got 0, expected 2 or more mm"),
        ("bore_mm = 16", "bore_mm = -16", "hoses.all.bore_mm: got -16, expected 2 or more mm"),
        ("bore_mm = 16", "bore_mm = nan", "hoses.all.bore_mm: got nan, expected a finite number"),
        ("length_m = 3", "length_m = 0", "hoses.all.length_m: got 0, expected more than 0 m"),
        ("_l_per_h = 1000", "_l_per_h = 0", "rated_flow_l_per_h: got 0, expected more than 0 L/h"),
        ("_l_per_h = 1000", "_l_per_h = inf", "rated_flow_l_per_h: got inf, expected a finite"),
        ("rated_flow_l_per_h = 1000, ", "", "pump: expected rated_flow_l_per_h and max_head_m"),
        (
            "pump = { rated_flow_l_per_h = 1000, max_head_m = 1.5 }",
            "pump = { points = [[0, 1.5], [500, 1.6], [900, 0.2]] }",
            "pump: measured points must fall with flow, but after 0 L/h at 1.5 m comes 500 L/h at "
            "1.6 m",
        ),
        (
            "pump = { rated_flow_l_per_h = 1000, max_head_m = 1.5 }",
            "pump = { points = [[0, 1.5], [500, 1.1], [500, 0.2]] }",
            "pump: measured points must fall with flow",
        ),
        (
            "[filters.left.hoses.all]",
            '[filters.left.media.a]\nmaterial = "floss"\ndepth_mm = 0\n[filters.left.hoses.all]',
            "media.a.depth_mm: got 0, expected more than 0 mm",
        ),
        (
            "[filters.left.hoses.all]",
            '[filters.left.media.a]\nmaterial = ""\ndepth_mm = 20\n[filters.left.hoses.all]',
            'media a: unknown material ""; expected one of: large rings',
        ),
        (
            "[filters.left.hoses.all]",
            '[filters.left.media.a]\nmaterial = "floss"\n[filters.left.hoses.all]',
            "media.a.depth_mm: missing (Depth along the flow); add it",
        ),
        (
            "pump = { rated_flow_l_per_h = 1000, max_head_m = 1.5 }\n",
            "",
            "filters.left.pump: not described; the sizing model needs",
        ),
    ],
)
def test_what_cannot_be_is_one_line_and_never_a_flow(
    written: Any, old: str, new: str, said: str
) -> None:
    assert old in FILTER
    done = run("size", written(FILTER.replace(old, new)))
    assert said in refusal(done)
    assert "clean flow" not in done.stdout


def test_a_range_that_is_sometimes_impossible_is_one_line(written: Any) -> None:
    """1.5 m of a box may be 1.35 m, which an outlet 1.4 m up is above (±10 %, common practice)."""
    text = FILTER.replace("[filters.left.hoses", "outlet = { height_above_surface_m = 1.4 }\n[filters.left.hoses")  # fmt: skip
    line = refusal(run("size", written(text), "--json"))
    assert "within its range the pump's maximum head does not always reach the outlet" in line


def test_an_empty_canister_is_sized_and_said_to_be_empty(written: Any) -> None:
    found = fields("size", written(FILTER))
    assert any("No media are described" in remark for remark in found["remarks"])
    assert 0 < found["clean_flow_l_per_h"] < 1000


def test_every_mistake_has_its_own_line(written: Any) -> None:
    text = FILTER.replace("bore_mm = 16", "bore_mm = 0").replace(
        "max_head_m = 1.5", "max_head_m = nan"
    )
    done = run("size", written(text))
    assert done.exit_code == 2
    assert len(done.stderr.strip().splitlines()) == 2


@pytest.mark.parametrize("words", [["size"], ["compare", PLANTED], ["card", "show"]], ids=" ".join)
def test_a_file_that_is_not_there(words: list[str], tmp_path: Path) -> None:
    line = refusal(run(*words, str(tmp_path / "none.toml")))
    assert "none.toml: " in line
    assert "o such file" in line
