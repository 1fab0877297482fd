"""The checks of a media stack. Every rule here is common practice, no source.

In the direction of flow: large hard rings, coarse, medium, fine foam, biological media, and a
polishing pad or carbon last, replaced in time; no water beside the media.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from monitor.sizing.circuit import Circuit
from monitor.sizing.media import MATERIALS, layer
from monitor.sizing.pump import pump_from_rating
from monitor.sizing.report import Installation
from monitor.sizing.stack import judge_stack

AREA_M2 = 0.03
TODAY = date(2026, 6, 30).toordinal()
GOOD = ("large rings", "foam 10 ppi", "foam 20 ppi", "foam 30 ppi", "sintered rings", "floss")


def judged(
    *materials: str, today: int | None = TODAY, dated: Any = (), areas: Any = None
) -> tuple[str, ...]:
    """The remarks on a stack; each layer is named after its material."""
    areas = areas or {}
    layers = tuple(
        layer(name, MATERIALS[name], 0.05, areas.get(name, AREA_M2)) for name in materials
    )
    circuit = Circuit(pump_from_rating(3e-4, 1.5), layers)
    installed = Installation("left", circuit, 25.0, 0.0, 0.0, media_area_m2=AREA_M2, dated=dated)
    return judge_stack(installed, today)


def test_the_order_of_the_trade_gets_no_remark() -> None:
    assert judged(*GOOD) == ()


def test_an_empty_canister_is_said_to_be_empty() -> None:
    (remark,) = judged()
    assert "No media are described" in remark


# Order ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("first", ["foam 20 ppi", "floss"])
def test_a_stack_without_settlement_first(first: str) -> None:
    (remark,) = judged(first)
    assert remark.startswith(f"No settlement layer first: large rings ahead of {first}")


@pytest.mark.parametrize("first", ["large rings", "balls 25 mm", "balls 13 mm"])
def test_rings_and_balls_are_settlement(first: str) -> None:
    assert judged(first, "foam 20 ppi", "sintered rings") == ()


@pytest.mark.parametrize(
    ("first", "second"),
    [("foam 30 ppi", "foam 20 ppi"), ("foam 45 ppi", "foam 10 ppi"), ("floss", "foam 30 ppi")],
)
def test_fine_before_coarse(first: str, second: str) -> None:
    """Pores to the inch are the trade's name of a foam: more of them, finer."""
    (remark,) = judged("large rings", first, second)
    assert remark.startswith(f"{first} is finer than {second} behind it: the order is coarse to")
    assert judged("large rings", second, first) == ()


def test_fine_before_coarse_is_seen_across_other_layers() -> None:
    remarks = judged("large rings", "foam 30 ppi", "sintered rings", "foam 10 ppi")
    assert any("foam 30 ppi is finer than foam 10 ppi" in remark for remark in remarks)


def test_equal_foams_are_in_order() -> None:
    assert judged("large rings", "foam 20 ppi", "foam 20 ppi", "sintered rings") == ()


def test_a_fine_pad_belongs_last() -> None:
    remarks = judged("large rings", "foam 20 ppi", "floss", "sintered rings", "small rings")
    assert remarks == ("The fine pad floss belongs last, behind sintered rings, small rings.",)


def test_a_fine_pad_behind_the_biological_media_is_in_order() -> None:
    assert judged("large rings", "foam 20 ppi", "sintered rings", "small rings", "floss") == ()


def test_biological_media_without_foam_ahead() -> None:
    said = "Nothing keeps dirt from sintered rings: put foam ahead of the biological media."
    assert judged("large rings", "sintered rings") == (said,)
    assert said in judged("large rings", "sintered rings", "foam 20 ppi")
    assert judged("large rings", "foam 20 ppi", "sintered rings") == ()


# Bypass -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("share", "said"), [(0.8, "20%"), (0.94, "6%"), (0.96, None), (1.0, None)])
def test_a_layer_that_does_not_fill_the_canister(share: float, said: str | None) -> None:
    remarks = judged(
        "large rings", "foam 20 ppi", "sintered rings", areas={"foam 20 ppi": share * AREA_M2}
    )
    if said is None:
        assert remarks == ()
    else:
        assert remarks == (
            f"foam 20 ppi leaves {said} of the cross-section open: water passes beside it.",
        )


# What is replaced by date -----------------------------------------------------------------------


def with_layer(
    material: str, fitted: int | None, lasts: int | None, today: int | None = TODAY
) -> tuple[str, ...]:
    """Remarks on a good stack that ends with a layer of that date and life."""
    stack = ("large rings", "foam 20 ppi", "sintered rings", material)
    return judged(*stack, today=today, dated=((material, material, fitted, lasts),))


@pytest.mark.parametrize(("age", "over"), [(0, None), (30, None), (31, 1), (75, 45)])
def test_carbon_lasts_thirty_days(age: int, over: int | None) -> None:
    remarks = with_layer("granular carbon", TODAY - age, None)
    if over is None:
        assert remarks == ()
    else:
        (remark,) = remarks
        assert f"is {over} days over its 30: replace it" in remark
        assert "spent carbon gives back what it held" in remark


def test_carbon_without_a_date_asks_for_one() -> None:
    (remark,) = with_layer("granular carbon", None, None)
    assert "has no date: write fitted, it lasts 30 days" in remark


@pytest.mark.parametrize(("age", "over"), [(40, None), (90, None), (91, 1)])
def test_an_own_life_comes_first(age: int, over: int | None) -> None:
    remarks = with_layer("granular carbon", TODAY - age, 90)
    assert bool(remarks) is (over is not None)
    assert all(f"{over} days over its 90" in remark for remark in remarks)


def test_floss_lasts_as_long_as_its_owner_says() -> None:
    (remark,) = with_layer("floss", TODAY - 20, 14)
    assert remark == "floss (floss) is 6 days over its 14: replace it."
    assert with_layer("floss", TODAY - 10, 14) == ()


def test_what_has_no_life_is_never_due() -> None:
    assert with_layer("floss", TODAY - 2000, None) == ()
    assert with_layer("floss", None, None) == ()


def test_without_a_day_dates_are_left_out() -> None:
    assert with_layer("granular carbon", TODAY - 75, None, today=None) == ()
    assert with_layer("granular carbon", None, None, today=None) == ()
