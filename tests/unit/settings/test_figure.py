"""A figure with its range: every way to write one, and one clear line for each that is none."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic_core import PydanticCustomError

from monitor.settings.figure import Figure, certain, parse
from monitor.settings.model import FilterSettings, SettingsTree

Loaded = Callable[[str], SettingsTree]
Problems = Callable[[str], tuple[str, ...]]
LEFT = "CANISTER_FILTERS__LEFT__"
SHAPE = "a number, or a range [low, high] or [low, likely, high]"


# The parser -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "figure"),
    [
        (16, (16, 16, 16)),
        (15.5, (15.5, 15.5, 15.5)),
        (0, (0, 0, 0)),
        ([15.5, 16.5], (16, 15.5, 16.5)),
        ([15.5, 15.8, 16.5], (15.8, 15.5, 16.5)),
        ([15, 15, 16], (15, 15, 16)),
        ([15, 16, 16], (16, 15, 16)),
        ([16, 16], (16, 16, 16)),
        ((15.5, 16.5), (16, 15.5, 16.5)),
        ("16", (16, 16, 16)),
        ("1.6e1", (16, 16, 16)),
        ("[15.5, 16.5]", (16, 15.5, 16.5)),
        ("[15.5, 15.8, 16.5]", (15.8, 15.5, 16.5)),
        (" [15, 17] ", (16, 15, 17)),
    ],
    ids=str,
)
def test_ways_to_write_a_figure(given: Any, figure: tuple[float, float, float]) -> None:
    """Value, low, high: the likely value of two is their middle."""
    assert parse(given, None) == Figure(*figure)


def test_a_figure_is_left_as_it_is() -> None:
    figure = Figure(2.0, 1.0, 4.0)
    assert parse(figure, {"gt": 0}) == figure


@pytest.mark.parametrize(
    ("given", "ranged"), [(16, False), ([16, 16], False), ([15, 17], True), ([15, 15, 16], True)]
)
def test_whether_a_range_was_given(given: Any, ranged: bool) -> None:
    assert parse(given, None).ranged is ranged
    assert not certain(16.0).ranged


@pytest.mark.parametrize("given", [[17, 15], [15, 14, 16], [15, 17, 16], "[17, 15]"], ids=str)
def test_a_range_that_does_not_rise_is_refused(given: Any) -> None:
    with pytest.raises(PydanticCustomError) as caught:
        parse(given, None)
    assert caught.value.type == "figure_order"


@pytest.mark.parametrize(
    "given",
    [
        True, False, [True, 2], [1, False], "true", "wide", "", "[1, 2", "[]", [], [1], [1, 2, 3, 4],
        [[1, 2], 3], ["1", "2"], {"low": 1}, '{"low": 1}', '"16"', "null", None, [1, None],
    ],
    ids=str,
)  # fmt: skip
def test_what_is_no_figure_is_refused(given: Any) -> None:
    with pytest.raises(PydanticCustomError) as caught:
        parse(given, None)
    assert caught.value.type == "figure"


@pytest.mark.parametrize(
    "given",
    [
        math.nan, math.inf, -math.inf, "nan", "inf", "NaN", "[1, Infinity]",
        [math.nan, 2], [1, math.nan], [1, math.nan, 2], [1, math.inf], [-math.inf, 1], [1, 2, math.inf],
    ],
    ids=str,
)  # fmt: skip
def test_what_is_not_finite_is_refused(given: Any) -> None:
    with pytest.raises(PydanticCustomError) as caught:
        parse(given, None)
    assert caught.value.type == "finite_number"


@pytest.mark.parametrize(
    ("limits", "good", "bad"),
    [
        ({"gt": 0}, [0.1, 5], [0, 5]),
        ({"ge": 2}, [2, 5], [1.9, 5]),
        ({"lt": 10}, [1, 9.9], [1, 10]),
        ({"le": 10}, [1, 10], [1, 10.1]),
        ({"gt": 0, "le": 10}, [0.1, 5, 10], [0.1, 5, 11]),
        ({"gt": 0, "le": 10}, [0.1, 5, 10], [-1, 5, 10]),
    ],
)
def test_limits_hold_for_either_end(limits: dict[str, float], good: Any, bad: Any) -> None:
    assert parse(good, limits).ranged
    with pytest.raises(PydanticCustomError):
        parse(bad, limits)


@pytest.mark.parametrize(
    ("limits", "value", "kind"),
    [
        ({"gt": 0}, 0, "greater_than"),
        ({"ge": 2}, 1, "greater_than_equal"),
        ({"lt": 10}, 10, "less_than"),
        ({"le": 10}, 11, "less_than_equal"),
    ],
)
def test_a_single_number_is_held_to_its_limits(
    limits: dict[str, float], value: float, kind: str
) -> None:
    with pytest.raises(PydanticCustomError) as caught:
        parse(value, limits)
    assert caught.value.type == kind


# In the file ------------------------------------------------------------------------------------


def hose(bore: str) -> str:
    return f"[filters.left.hoses.inlet]\nlength_m = 1.5\nbore_mm = {bore}\n"


@pytest.mark.parametrize(
    ("written", "figure"),
    [
        ("16", (16, 16, 16)),
        ("[15.5, 16.5]", (16, 15.5, 16.5)),
        ("[15.5, 15.8, 16.5]", (15.8, 15.5, 16.5)),
    ],
)
def test_a_figure_from_the_file(
    loaded: Loaded, minimal: str, written: str, figure: tuple[float, float, float]
) -> None:
    tree = loaded(minimal + hose(written))
    assert tree.filters["left"].hoses["inlet"].bore_mm == Figure(*figure)


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ("flow_sensor", "bore_mm"),
        ("flow_sensor", "loss_coefficient"),
        ("pump", "rated_flow_l_per_h"),
        ("pump", "max_head_m"),
        ("pump", "curve_exponent"),
        ("pump", "remaining_head"),
        ("canister", "volume_l"),
        ("canister", "media_area_cm2"),
        ("outlet", "bore_mm"),
        ("outlet", "height_above_surface_m"),
        ("tank", "temperature_c"),
        ("tank", "salinity_g_per_kg"),
    ],
)
def test_every_figure_of_the_description_may_carry_a_range(table: str, key: str) -> None:
    low, high = {"remaining_head": (0.8, 1.0), "curve_exponent": (1.5, 2.5)}.get(key, (3.0, 5.0))
    raw: dict[str, dict[str, Any]] = {"flow_sensor": {"pin": 17}}
    raw[table] = raw.get(table, {}) | {key: [low, high]}
    section = getattr(FilterSettings.model_validate(raw), table)
    assert getattr(section, key) == Figure((low + high) / 2, low, high)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("[17, 15]", "got [17, 15], expected a range that rises: [low, high] or [low, likely, high]"),
        ("[15, 14, 16]", "got [15, 14, 16], expected a range that rises: [low, high] or [low, likely, high]"),
        ("[0, 16]", "got [0, 16], expected 2 or more mm"),
        ("[16, 500]", "got [16, 500], expected 200 or less mm"),
        ("[16, nan]", "got [16, nan], expected a finite number"),
        ("[16, inf]", "got [16, inf], expected a finite number"),
        ("nan", "got nan, expected a finite number"),
        ("inf", "got inf, expected a finite number"),
        ("true", f"got True, expected {SHAPE}"),
        ("[true, 16]", f"got [True, 16], expected {SHAPE}"),
        ("[16]", f"got [16], expected {SHAPE}"),
        ("[15, 16, 17, 18]", f"got [15, 16, 17, 18], expected {SHAPE}"),
        ('"wide"', f"got 'wide', expected {SHAPE}"),
        ("{ low = 15, high = 17 }", f"got a table of 2, expected {SHAPE}"),
    ],
)  # fmt: skip
def test_a_bad_figure_is_one_line_with_file_and_key(
    problems: Problems, file: Path, minimal: str, written: str, said: str
) -> None:
    (line,) = problems(minimal + hose(written))
    assert line == f"{file}: filters.left.hoses.inlet.bore_mm: {said} (Inner diameter)"


def test_a_required_figure_that_is_missing(problems: Problems, file: Path, minimal: str) -> None:
    (line,) = problems(f"{minimal}[filters.left.hoses.inlet]\nbore_mm = 16\n")
    assert line == f"{file}: filters.left.hoses.inlet.length_m: missing (Length); add it"


def test_every_bad_figure_comes_at_once(problems: Problems, minimal: str) -> None:
    lines = problems(
        minimal
        + hose("[17, 15]")
        + "[filters.left.tank]\ntemperature_c = [20, 41]\nvolume_l = true\n"
        + "[filters.left.pump]\nrated_flow_l_per_h = 1000\nmax_head_m = [nan, 2]\n"
    )
    assert sorted(line.split(": ")[1].removeprefix("filters.left.") for line in lines) == [
        "hoses.inlet.bore_mm",
        "pump.max_head_m",
        "tank.temperature_c",
        "tank.volume_l",
    ]


# From the environment ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "figure"),
    [
        ("16", (16, 16, 16)),
        ("[15.5, 16.5]", (16, 15.5, 16.5)),
        ("[15.5, 15.8, 16.5]", (15.8, 15.5, 16.5)),
    ],
)
def test_a_figure_from_the_environment(
    monkeypatch: pytest.MonkeyPatch,
    loaded: Loaded,
    minimal: str,
    text: str,
    figure: tuple[float, float, float],
) -> None:
    """A range is a list as JSON text there."""
    monkeypatch.setenv(LEFT + "HOSES__INLET__BORE_MM", text)
    tree = loaded(minimal + hose("12"))
    assert tree.filters["left"].hoses["inlet"].bore_mm == Figure(*figure)


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("HOSES__INLET__BORE_MM", "[17, 15]", "got [17, 15], expected a range that rises"),
        ("HOSES__INLET__BORE_MM", "[16, 500]", "got [16, 500], expected 200 or less mm"),
        ("HOSES__INLET__BORE_MM", "[0, 16]", "got [0, 16], expected 2 or more mm"),
        ("HOSES__INLET__BORE_MM", "[16, NaN]", "got [16, nan], expected a finite number"),
        ("HOSES__INLET__BORE_MM", "true", f"got True, expected {SHAPE}"),
        ("HOSES__INLET__BORE_MM", "0", "got 0, expected 2 or more mm"),
        ("TANK__VOLUME_L", "[200, 100]", "got [200, 100], expected a range that rises"),
        ("TANK__VOLUME_L", "inf", "got 'inf', expected a finite number"),
        ("TANK__VOLUME_L", "nan", "got 'nan', expected a finite number"),
        ("TANK__VOLUME_L", "100 to 200", f"got '100 to 200', expected {SHAPE}"),
        ("TANK__VOLUME_L", "[100, 200", f"got '[100, 200', expected {SHAPE}"),
    ],
)
def test_a_bad_figure_from_the_environment_names_its_variable(
    monkeypatch: pytest.MonkeyPatch,
    problems: Problems,
    minimal: str,
    name: str,
    text: str,
    said: str,
) -> None:
    monkeypatch.setenv(LEFT + name, text)
    (line,) = problems(minimal + hose("16"))
    key = name.lower().replace("__", ".")
    assert line.startswith(f"environment variable {LEFT}{name}: filters.left.{key}: {said}")
