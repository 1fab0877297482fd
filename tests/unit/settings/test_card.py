"""Set-up cards: written and read back the same, and lent to the filters that name them.

All filters here are invented.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import SettingsError
from monitor.settings.card import CardSettings, card_text, lend, read_card, read_raw
from monitor.settings.convert import installation
from monitor.settings.figure import Figure, certain
from monitor.settings.load import load
from monitor.settings.model import SettingsTree
from monitor.sizing.report import size

Loaded = Callable[[str], SettingsTree]
Card = Callable[..., Path]

EXAMPLE = Path(__file__).resolve().parents[3] / "deploy" / "examples" / "mid_canister.card.toml"
CARD = """\
kind = "canister of middle size (invented)"
source = "invented example"

[learned]
clean_flow_l_per_h = 690
days_between_cleanings = 38

[pump]
rated_flow_l_per_h = 1200
max_head_m = 1.8
remaining_head = [0.8, 0.9, 1.0]

[canister]
volume_l = 7
media_area_cm2 = 320

[media.settlement]
material = "large rings"
depth_mm = 60
[media.coarse]
material = "foam 20 ppi"
depth_mm = 40
"""
NAMED = '[filters.left]\ncard = "mid.toml"\n'


@pytest.fixture
def card(tmp_path: Path) -> Card:
    """Write a card beside the configuration."""

    def build(text: str = CARD) -> Path:
        file = tmp_path / "mid.toml"
        file.write_text(text, encoding="utf-8")
        return file

    return build


def refused(file: Path, text: str) -> tuple[str, ...]:
    """Write a configuration that must be refused; return its problems, one line each."""
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert all("\n" not in line for line in caught.value.problems)
    return caught.value.problems


# Written and read back --------------------------------------------------------------------------


def back(made: CardSettings, file: Path) -> CardSettings:
    file.write_text(card_text(made), encoding="utf-8")
    return read_card(file)


def test_the_example_card_comes_back_as_it_was(tmp_path: Path) -> None:
    example = read_card(EXAMPLE)
    assert back(example, tmp_path / "again.toml") == example
    assert example.invented
    assert "invented" in example.kind


FULL: dict[str, Any] = {
    "kind": 'canister "of middle size", three trays\\baskets',
    "source": "measured by hand – Größe # no comment",
    "invented": True,
    "written": date(2026, 11, 1),
    "trays": {"bottom": {"width_mm": 180, "length_mm": 175.5, "height_mm": 70}},
    "learned": {
        "media_kg": 3.4,
        "full_kg": 13.5,
        "clean_flow_l_per_h": 690,
        "days_between_cleanings": 38.5,
        "cleanings_seen": 6,
    },
    "pump": {
        "rated_flow_l_per_h": 1200,
        "max_head_m": 1.85,
        "curve_exponent": 1.8,
        "figures_hz": 60,
        "mains_hz": 50,
        "speed": 0.85,
        "remaining_head": 0.9,
    },
    "canister": {"volume_l": 6.75, "media_area_cm2": 320, "empty_kg": 3.2},
    "media": {
        "settlement": {"material": "large rings", "depth_mm": 62.5, "area_cm2": 310},
        "carbon": {
            "material": "granular carbon",
            "depth_mm": 30,
            "fitted": date(2026, 3, 1),
            "replace_after_days": 28,
        },
    },
}


def test_a_card_with_everything_comes_back_as_it_was(tmp_path: Path) -> None:
    made = CardSettings.model_validate(FULL)
    assert back(made, tmp_path / "full.toml") == made


def test_a_card_with_measured_points_comes_back_as_it_was(tmp_path: Path) -> None:
    points = [[0, 2.6], [900, 2.1], [1500.5, 1.35], [2050, 0.2]]
    made = CardSettings.model_validate({"kind": "k", "source": "s", "pump": {"points": points}})
    assert back(made, tmp_path / "points.toml") == made


def test_a_card_says_only_what_it_knows() -> None:
    text = card_text(CardSettings(kind="canister", source="mine"))
    assert tomllib.loads(text) == {"kind": "canister", "source": "mine"}


def test_the_text_is_toml_with_media_in_the_direction_of_flow() -> None:
    raw = tomllib.loads(card_text(CardSettings.model_validate(FULL)))
    assert raw == FULL
    assert list(raw["media"]) == ["settlement", "carbon"]


# Lent to a filter -------------------------------------------------------------------------------


def test_what_is_not_written_is_lent(loaded: Loaded, minimal: str, card: Card) -> None:
    card()
    left = loaded(minimal + NAMED).filters["left"]
    assert left.pump is not None
    assert left.pump.rated_flow_l_per_h == certain(1200)
    assert left.pump.remaining_head == Figure(0.9, 0.8, 1.0)
    assert left.canister.volume_l == certain(7)
    assert list(left.media) == ["settlement", "coarse"]


def test_a_filter_from_a_card_is_the_same_as_one_written_out(
    loaded: Loaded, minimal: str, card: Card
) -> None:
    card()
    tables = CARD[CARD.index("[pump]") :]
    for table in ("pump", "canister", "media"):
        tables = tables.replace(f"[{table}", f"[filters.right.{table}")
    tree = loaded(minimal + NAMED + tables)
    left, right = (installation("x", tree.filters[name]) for name in ("left", "right"))
    assert left == right
    assert size(left).clean_m3_per_s == size(right).clean_m3_per_s


def test_own_keys_come_first_and_the_rest_of_the_table_is_lent(
    loaded: Loaded, minimal: str, card: Card
) -> None:
    card()
    own = "[filters.left.pump]\nmax_head_m = 2.2\n[filters.left.canister]\nempty_kg = 4\n"
    left = loaded(minimal + NAMED + own).filters["left"]
    assert left.pump is not None
    assert left.pump.max_head_m == certain(2.2)
    assert left.pump.rated_flow_l_per_h == certain(1200)
    assert left.canister.empty_kg == certain(4)
    assert left.canister.media_area_cm2 == certain(320)


def test_media_are_lent_whole_or_not_at_all(loaded: Loaded, minimal: str, card: Card) -> None:
    card()
    own = '[filters.left.media.coarse]\nmaterial = "foam 30 ppi"\ndepth_mm = 25\n'
    left = loaded(minimal + NAMED + own).filters["left"]
    assert list(left.media) == ["coarse"]
    assert left.media["coarse"].material == "foam 30 ppi"
    assert left.pump is not None  # the other tables are still lent


def test_the_environment_stands_above_the_card(
    monkeypatch: pytest.MonkeyPatch, loaded: Loaded, minimal: str, card: Card
) -> None:
    card()
    monkeypatch.setenv("CANISTER_FILTERS__LEFT__PUMP__MAX_HEAD_M", "[2.0, 2.4]")
    pump = loaded(minimal + NAMED).filters["left"].pump
    assert pump is not None
    assert pump.max_head_m == Figure(2.2, 2.0, 2.4)
    assert pump.rated_flow_l_per_h == certain(1200)


def test_only_filters_that_name_a_card_borrow(loaded: Loaded, minimal: str, card: Card) -> None:
    card()
    tree = loaded(minimal + NAMED)
    assert tree.filters["right"].pump is None
    both = loaded(minimal + NAMED + NAMED.replace("left", "right")).filters
    assert both["left"].pump == both["right"].pump
    assert both["left"].media == both["right"].media


def test_an_empty_name_is_no_card(loaded: Loaded, minimal: str) -> None:
    assert loaded(f'{minimal}[filters.left]\ncard = ""\n').filters["left"].pump is None


def test_lending_leaves_both_as_they_were(card: Card) -> None:
    raw, own = read_raw(card()), {"pump": {"max_head_m": 2.2}, "name": "Left"}
    whole = lend(raw, own)
    assert own == {"pump": {"max_head_m": 2.2}, "name": "Left"}
    assert raw == tomllib.loads(CARD)
    assert whole["pump"] == {**raw["pump"], "max_head_m": 2.2}
    assert set(whole) == {"name", "pump", "canister", "media"}  # nothing else of the card


# Where a card is found --------------------------------------------------------------------------


def test_a_card_is_found_from_the_configuration_and_not_from_here(
    monkeypatch: pytest.MonkeyPatch, loaded: Loaded, minimal: str, tmp_path: Path
) -> None:
    (tmp_path / "cards").mkdir()
    (tmp_path / "cards" / "mid.toml").write_text(CARD)
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    tree = loaded(minimal + NAMED.replace("mid.toml", "cards/mid.toml"))
    assert tree.filters["left"].pump is not None
    up = loaded(minimal + NAMED.replace("mid.toml", "elsewhere/../cards/mid.toml"))
    assert up.filters["left"].pump is not None


def test_an_absolute_path_is_taken_as_it_is(
    loaded: Loaded, minimal: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    far = tmp_path_factory.mktemp("far") / "mid.toml"
    far.write_text(CARD)
    tree = loaded(minimal + NAMED.replace("mid.toml", str(far)))
    assert tree.filters["left"].pump is not None


# Problems ---------------------------------------------------------------------------------------


def test_a_card_that_is_not_there(file: Path, minimal: str, tmp_path: Path) -> None:
    (line,) = refused(file, minimal + NAMED)
    assert line == (
        f"filters.left.card: {tmp_path / 'mid.toml'}: cannot be read: No such file or directory; "
        "name a card file"
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("max_head_m = 1.8", "max_head_m = -1", "pump.max_head_m: got -1, expected more than 0"),
        ("max_head_m = 1.8", "max_head_m = [2, 1]", "pump.max_head_m: got [2, 1], expected a range"),
        ("volume_l = 7", "volume_l = nan", "canister.volume_l: got nan, expected a finite number"),
        ("volume_l = 7", "volume_l = true", "canister.volume_l: got True, expected a number, or"),
        ("volume_l = 7", "volum_l = 7", "canister.volum_l: unknown key"),
        ("depth_mm = 60", "", "media.settlement.depth_mm: missing"),
        ('source = "invented example"', "", "source: missing"),
        ('kind = "canister of middle size (invented)"', "", "kind: missing"),
        ("[pump]", "[pump", "not valid TOML: "),
        ("[learned]", "[Learned]", "Learned: unknown key"),
        ("days_between_cleanings = 38", "days_between_cleanings = 0", "expected more than 0"),
    ],
)  # fmt: skip
def test_a_problem_of_a_card_is_named_with_its_filter(
    file: Path, minimal: str, card: Card, old: str, new: str, said: str
) -> None:
    where = card(CARD.replace(old, new, 1))
    (line,) = refused(file, minimal + NAMED)
    assert line.startswith(f"filters.left.card: {where}: ")
    assert said in line


def test_a_card_that_is_not_text(file: Path, minimal: str, tmp_path: Path) -> None:
    (tmp_path / "mid.toml").write_bytes(b'kind = "B\xe4che"\n')
    (line,) = refused(file, minimal + NAMED)
    assert line.startswith("filters.left.card: ")
    assert "cannot be read: not UTF-8 text" in line


def test_problems_of_cards_come_with_all_others(file: Path, minimal: str, card: Card) -> None:
    card(CARD.replace("volume_l = 7", "volume_l = -7").replace("= 1.8", "= 0"))
    lines = refused(file, minimal.replace("pin = 27", "pin = 99") + NAMED)
    assert len(lines) == 3
    assert sum(line.startswith("filters.left.card: ") for line in lines) == 2
    assert sum("filters.right.flow_sensor.pin: got 99" in line for line in lines) == 1


def test_a_material_that_no_one_knows_is_found(file: Path, minimal: str, card: Card) -> None:
    card(CARD.replace("foam 20 ppi", "lava"))
    (line,) = refused(file, minimal + NAMED)
    assert line.startswith(f'{file}: filters.left: media coarse: unknown material "lava"')


def test_a_card_on_its_own_tells_its_problems(card: Card) -> None:
    file = card(CARD.replace("max_head_m = 1.8", "max_head_m = 0").replace("= 60", "= 0"))
    with pytest.raises(SettingsError) as caught:
        read_card(file)
    assert len(caught.value.problems) == 2
    assert all(line.startswith(f"{file}: ") for line in caught.value.problems)


@pytest.mark.parametrize("key", ["brand", "maker", "manufacturer", "model", "product"])
def test_a_card_has_no_place_for_a_brand(card: Card, key: str) -> None:
    with pytest.raises(SettingsError, match=f"{key}: unknown key"):
        read_card(card(f'{key} = "x"\n{CARD}'))
    assert key not in card_text(CardSettings.model_validate(FULL))
