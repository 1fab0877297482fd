"""What is due by date. The intervals are common practice without a source; the days are counted by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from monitor.app.reminders import CARBON, months_after, near, reminders
from monitor.settings.load import load
from monitor.sizing.media import MATERIALS, Role

TEXT = """
[site]
id = "test"
[filters.left]
flow_sensor = { pin = 17 }
[filters.left.reminders]
uv_lamp_off_until = "2026-03-15"
uv_lamp_fitted = "2026-03-01"
uv_lamp_hours = 2400
carbon_fitted = "2026-03-01"
seals_checked = "2026-01-31"
seals_every_months = 1
[filters.left.media.black]
material = "granular carbon"
depth_mm = 20
fitted = "2026-03-05"
[filters.left.media.pad]
material = "floss"
depth_mm = 20
fitted = "2026-03-01"
replace_after_days = 7
[filters.left.media.foam]
material = "foam 20 ppi"
depth_mm = 20
fitted = "2026-03-01"
"""


def test_all_reminders_by_their_day(written: Callable[..., str]) -> None:
    tree = load(Path(written(TEXT))).tree
    assert [(r.day, r.what) for r in reminders(tree)] == [
        (date(2026, 2, 28), "look at the seals and grease them"),
        (date(2026, 3, 8), "replace pad (floss)"),
        (date(2026, 3, 15), "leave the UV lamp off"),
        (date(2026, 3, 31), "take out or replace the carbon"),
        (date(2026, 4, 4), "replace black (granular carbon)"),
        (date(2026, 6, 23), "a new UV lamp"),  # 100 days of burning from 15 March on
    ]


def test_what_is_near_and_how_it_is_said(written: Callable[..., str]) -> None:
    tree = load(Path(written(TEXT))).tree
    today = date(2026, 3, 8)
    assert [r.words(today) for r in near(tree, today)] == [
        "left: look at the seals and grease them, due 2026-02-28 (8 days ago)",
        "left: replace pad (floss), due 2026-03-08 (today)",
        "left: leave the UV lamp off until 2026-03-15",
    ]
    later = [r.what for r in near(tree, date(2026, 3, 20))]
    assert "leave the UV lamp off" not in later
    assert "take out or replace the carbon" in later
    assert "a new UV lamp" not in later


@pytest.mark.parametrize(
    ("day", "months", "then"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2027, 11, 30), 3, date(2028, 2, 29)),
        (date(2026, 11, 25), 12, date(2027, 11, 25)),
        (date(2026, 12, 1), 1, date(2027, 1, 1)),
        (date(9999, 12, 1), 1, date.max),
    ],
)
def test_months_by_the_calendar(day: date, months: int, then: date) -> None:
    assert months_after(day, months) == then


def test_carbon_is_what_the_sizing_model_calls_chemical() -> None:
    assert {name for name, m in MATERIALS.items() if m.role is Role.CHEMICAL} == CARBON


def test_far_dates_do_no_harm(written: Callable[..., str]) -> None:
    text = TEXT.replace("2026-03-01", "9999-12-30").replace("2026-01-31", "9999-12-30")
    assert len(reminders(load(Path(written(text))).tree)) == 6
