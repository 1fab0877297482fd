"""A loaded filter against its tank. Every rule here is common practice, no source.

4 to 6 tank volumes an hour for light and normal stocking, 6 to 10 for heavy, with the loaded flow;
1 kg of sintered media for 100 L, double for heavy stocking; heavy to lift from about 10 kg.
"""

from __future__ import annotations

from typing import Any

import pytest

from monitor.sizing.circuit import Circuit
from monitor.sizing.media import MATERIALS, layer
from monitor.sizing.pump import pump_from_rating
from monitor.sizing.report import Installation
from monitor.sizing.tank import TankReport, judge_tank
from monitor.units import m3_per_s

AREA_M2 = 0.03
SINTERED_KG_PER_L = 0.6  # a litre weighs 0.5 to 0.7 kg; from memory


def judged(litres: dict[str, float], flow_l_per_h: float = 600.0, **described: Any) -> TankReport:
    """A filter with so many litres of each material, all over 300 cm²."""
    layers = tuple(
        layer(name, MATERIALS[name], volume / 1000 / AREA_M2, AREA_M2)
        for name, volume in litres.items()
    )
    circuit = Circuit(pump_from_rating(m3_per_s(1000), 1.5), layers)
    keys = {"tank_m3": 0.0} | described
    return judge_tank(Installation("left", circuit, 25.0, 0.0, **keys), m3_per_s(flow_l_per_h))


def about(report: TankReport, word: str) -> list[str]:
    return [remark for remark in report.remarks if word in remark]


# Turnover ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stocking", "flow", "said"),
    [
        ("light", 300, "3.0 an hour is below the 4 to 6 of light stocking"),
        ("light", 500, None),
        ("light", 700, "7.0 an hour is above the 4 to 6 of light stocking"),
        ("normal", 390, "3.9 an hour is below the 4 to 6 of normal stocking"),
        ("normal", 410, None),
        ("normal", 590, None),
        ("normal", 610, "6.1 an hour is above the 4 to 6 of normal stocking"),
        ("heavy", 590, "5.9 an hour is below the 6 to 10 of heavy stocking"),
        ("heavy", 610, None),
        ("heavy", 990, None),
        ("heavy", 1010, "10.1 an hour is above the 6 to 10 of heavy stocking"),
    ],
)
def test_turnover_of_a_100_litre_tank(stocking: str, flow: float, said: str | None) -> None:
    report = judged({"sintered rings": 10}, flow, tank_m3=0.1, stocking=stocking)
    assert report.turnover_per_h == pytest.approx(flow / 100)
    remarks = about(report, "Turnover")
    assert len(remarks) == (0 if said is None else 1)
    for remark in remarks:
        assert said is not None
        assert said in remark
        assert "common practice, no source" in remark


def test_too_much_turnover_is_about_animals() -> None:
    (remark,) = about(judged({}, 2000, tank_m3=0.1), "above")
    assert "dislike current" in remark


def test_filters_on_one_tank_turn_it_over_together() -> None:
    """Two of 600 L/h on 240 L: 5 an hour together, 2.5 alone."""
    two = judged({"sintered rings": 5}, tank_m3=0.24, filters_on_tank=2)
    assert two.turnover_per_h == pytest.approx(5.0)
    assert not about(two, "Turnover")
    alone = judged({"sintered rings": 5}, tank_m3=0.24)
    assert alone.turnover_per_h == pytest.approx(2.5)
    assert about(alone, "below the 4 to 6")


def test_a_tank_that_is_not_described_is_not_judged() -> None:
    report = judged({"sintered rings": 2})
    assert report.turnover_per_h is None
    assert report.biological_needed_kg is None
    assert report.media_share_of_tank is None
    assert report.remarks == ()


# Media ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stocking", "tank_l", "needed_kg"),
    [("light", 100, 1.0), ("normal", 250, 2.5), ("heavy", 100, 2.0), ("heavy", 250, 5.0)],
)
def test_a_kilogram_for_100_litres_and_two_when_heavily_stocked(
    stocking: str, tank_l: float, needed_kg: float
) -> None:
    report = judged({}, tank_m3=tank_l / 1000, stocking=stocking)
    assert report.biological_needed_kg == pytest.approx(needed_kg)


@pytest.mark.parametrize(("litres", "enough"), [(1.6, False), (1.8, True)])
def test_a_stock_that_asks_for_more_media_is_remarked_upon(litres: float, enough: bool) -> None:
    """100 L ask for 1 kg, that is 1.67 L of sintered rings."""
    report = judged({"sintered rings": litres}, 500, tank_m3=0.1)
    assert report.biological_kg == pytest.approx(litres * SINTERED_KG_PER_L)
    remarks = about(report, "Biological media")
    assert bool(remarks) is not enough
    assert all("common practice, no source" in remark for remark in remarks)


def test_only_biological_media_count_for_the_stock() -> None:
    report = judged({"large rings": 3, "foam 20 ppi": 2, "sintered rings": 1}, tank_m3=0.1)
    assert report.biological_kg == pytest.approx(SINTERED_KG_PER_L)
    assert report.media_kg > report.biological_kg


def test_filters_on_one_tank_share_its_stock() -> None:
    report = judged({"sintered rings": 2}, 400, tank_m3=0.2, filters_on_tank=2)
    assert report.biological_needed_kg == pytest.approx(1.0)
    assert not about(report, "Biological media")


def test_media_as_a_share_of_the_tank() -> None:
    """4 L of media on 200 L are 2 %; two such filters 4 % (1 to 5 % is common practice)."""
    litres = {"large rings": 1.0, "sintered rings": 3.0}
    assert judged(litres, tank_m3=0.2).media_share_of_tank == pytest.approx(0.02)
    both = judged(litres, tank_m3=0.2, filters_on_tank=2)
    assert both.media_share_of_tank == pytest.approx(0.04)


# What it serves ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("litres", "stocking", "serves_l", "by"),
    [
        (2.0, "normal", 120, "biological media"),  # 1.2 kg · 100 L
        (4.0, "normal", 150, "turnover"),  # 600 L/h by 4 an hour
        (2.0, "heavy", 60, "biological media"),  # 1.2 kg · 50 L
        (4.0, "heavy", 100, "turnover"),  # 600 L/h by 6 an hour
        (0.0, "normal", 0, "biological media"),
    ],
)
def test_the_tank_that_one_filter_serves(
    litres: float, stocking: str, serves_l: float, by: str
) -> None:
    media = {"sintered rings": litres} if litres else {}
    report = judged(media, stocking=stocking)
    assert report.serves_m3 * 1000 == pytest.approx(serves_l)
    assert report.serves_by == by


# Weight -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("water_l", "full_kg", "heavy"), [(5.0, 9.2, False), (6.0, 10.2, True), (12.0, 16.2, True)]
)
def test_a_full_canister_of_about_ten_kilograms_is_heavy(
    water_l: float, full_kg: float, heavy: bool
) -> None:
    """3 kg empty, its water at 1 kg/L, 2 L of sintered rings."""
    report = judged({"sintered rings": 2}, canister_m3=water_l / 1000, empty_kg=3.0)
    assert report.full_kg == pytest.approx(full_kg)
    remarks = about(report, "straight back")
    assert bool(remarks) is heavy
    assert all(f"about {full_kg:.0f} kg" in remark for remark in remarks)


@pytest.mark.parametrize("known", [{"canister_m3": 0.02}, {"empty_kg": 30.0}, {}])
def test_a_weight_that_is_not_known_is_not_guessed(known: dict[str, float]) -> None:
    report = judged({"sintered rings": 2}, **known)
    assert report.full_kg is None
    assert not about(report, "weighs")


def test_a_suitable_filter_gets_no_remark() -> None:
    report = judged(
        {"large rings": 1, "foam 20 ppi": 1, "sintered rings": 2.5},
        tank_m3=0.12,
        canister_m3=0.005,
        empty_kg=2.0,
    )
    assert report.remarks == ()
    assert report.turnover_wanted == (4.0, 6.0)
    assert report.stocking == "normal"
