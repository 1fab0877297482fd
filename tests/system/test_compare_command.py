"""`canister compare`: two set-ups side by side. All of them invented."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.support.commands import FILTER, fields, run

EXAMPLES = Path(__file__).resolve().parents[2] / "deploy" / "examples"
CARD = EXAMPLES / "mid_canister.card.toml"
PLANTED, PAIR = str(EXAMPLES / "planted.toml"), str(EXAMPLES / "pair.toml")
US_GALLON_L = 3.785411784  # 231 cubic inches, NIST Handbook 44, appendix C


def test_compare_two_hoses(written: Any) -> None:
    """Three metres of 12 mm cost some four times as much as of 16 mm at one flow (by hand)."""
    wide, narrow = written(FILTER), written(FILTER.replace("= 16", "= 12"), "narrow.toml")
    found = fields("compare", wide, narrow)
    assert found["a"]["name"] == wide
    assert found["b"]["name"] == narrow
    flows = [found[side]["clean_flow_l_per_h"] for side in "ab"]
    assert found["b_over_a"] == pytest.approx(flows[1] / flows[0], abs=1e-3)
    assert found["b_over_a"] < 1
    said = run("compare", wide, narrow).stdout
    assert f"B moves {1 - found['b_over_a']:.0%} less than A" in said
    assert f"{flows[0]:.0f} L/h" in said
    assert f"{flows[1]:.0f} L/h" in said
    apart = found["b"]["plausible_l_per_h"][1] < found["a"]["plausible_l_per_h"][0]
    assert ("more than the ranges leave open" in said) is apart


def test_compare_a_file_with_itself() -> None:
    said = run("compare", PLANTED, PLANTED).stdout
    assert "B moves 0% more than A; the ranges overlap." in said
    found = fields("compare", PLANTED, PLANTED)
    assert found["b_over_a"] == 1.0
    assert found["a"] == found["b"]


def test_compare_filters_of_one_file() -> None:
    found = fields("compare", f"{PAIR}:west", f"{PAIR}:east")
    assert (found["a"]["filter"], found["b"]["filter"]) == ("west", "east")
    said = run("compare", f"{PAIR}:west", f"{PAIR}:east").stdout
    assert "less than A; more than the ranges leave open" in said
    assert f"{found['a']['clean_flow_l_per_h'] / US_GALLON_L:.0f} gal/h" in said
    for group in ("hose", "fittings", "flow sensor", "outlet", "media"):
        assert f"head: {group}" in said


def test_whether_the_ranges_leave_a_difference_open(written: Any) -> None:
    """Ten centimetres of hose are within the ranges, half the bore is not, in either order."""
    usual, shorter = written(FILTER), written(FILTER.replace("= 3\n", "= 2.9\n"), "shorter.toml")
    narrow = written(FILTER.replace("bore_mm = 16", "bore_mm = 8"), "narrow.toml")
    assert "more than A; the ranges overlap" in run("compare", usual, shorter).stdout
    assert "less than A; the ranges overlap" in run("compare", shorter, usual).stdout
    assert "less than A; more than the ranges" in run("compare", usual, narrow).stdout
    assert "more than A; more than the ranges" in run("compare", narrow, usual).stdout


def test_a_file_with_a_colon_in_its_name(written: Any) -> None:
    odd = written(FILTER, "tank:left.toml")
    assert fields("compare", odd, f"{odd}:left")["b"]["filter"] == "left"


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        (PAIR, PLANTED, "name the filter as FILE:ID; it has west, east"),
        (f"{PAIR}:wst", PLANTED, "no filter wst; the nearest known is west"),
        (PLANTED, "none.toml:west", "none.toml: no such file"),
        (PLANTED, str(CARD), "unknown key"),
    ],
)
def test_what_cannot_be_compared(first: str, second: str, said: str) -> None:
    done = run("compare", first, second)
    assert done.exit_code == 2
    assert said in done.stderr
    assert done.stdout == ""
