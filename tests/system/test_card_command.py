"""`canister card`: exported from one tank, shown, and imported for the next. All invented."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest
from typer.testing import Result

from monitor.journal.store import Journal
from monitor.records import Cause, CleanBasis, Event, EventKind, Moment
from monitor.settings.card import read_card
from monitor.settings.load import load
from monitor.units import m3_per_s
from tests.support.commands import fields, refusal, run

EXAMPLES = Path(__file__).resolve().parents[2] / "deploy" / "examples"
CARD = EXAMPLES / "mid_canister.card.toml"
PLANTED, PAIR = str(EXAMPLES / "planted.toml"), str(EXAMPLES / "pair.toml")


@pytest.fixture
def journal_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "state"
    folder.mkdir()
    monkeypatch.setenv("CANISTER_STORAGE__FOLDER", str(folder))
    return folder


def recorded(folder: Path, *events: tuple[str, EventKind, float, float | None]) -> None:
    """A journal with these events: filter, kind, day, clean flow in L/h."""
    journal = Journal(folder)
    made = []
    for name, kind, day, flow in events:
        clean = None if flow is None else m3_per_s(flow)
        at = day * 86400.0
        made.append(
            Event(name, kind, at, 1.7e9 + at, None, 0, clean, clean, CleanBasis.MEASURED, None,
                  Cause.NONE, "", "")
        )  # fmt: skip
    journal.record(Moment(1e7, 1.71e9), made)
    journal.close()


def test_export_says_what_practice_has_shown(journal_folder: Path, tmp_path: Path) -> None:
    """Cleanings 30 and 40 days apart: 35 days is the median of the two."""
    recorded(
        journal_folder,
        ("planted", EventKind.CLEAN_FLOW_LEARNED, 0, 300),
        ("planted", EventKind.CLEANED, 1, None),
        ("other", EventKind.CLEANED, 5, None),
        ("planted", EventKind.CLEANED, 31, None),
        ("planted", EventKind.CLEANED, 50, None),
        ("planted", EventKind.CLEANED_UNDONE, 51, None),
        ("planted", EventKind.CLEANED, 71, None),
        ("planted", EventKind.CLEAN_FLOW_LEARNED, 72, 282),
        ("other", EventKind.CLEAN_FLOW_LEARNED, 73, 999),
    )
    target = tmp_path / "made.card.toml"
    done = run("card", "export", "--config", PLANTED, "--kind", "small (invented)", "--to", str(target))  # fmt: skip
    assert done.exit_code == 0, done.output
    made = read_card(target)
    assert made.kind == "small (invented)"
    assert made.source == "filter planted of site window_sill"
    assert made.learned.days_between_cleanings == 35.0
    assert made.learned.cleanings_seen == 2
    assert made.learned.clean_flow_l_per_h == 282.0
    tree = load(Path(PLANTED)).tree.filters["planted"]
    assert (made.pump, made.canister, made.media) == (tree.pump, tree.canister, tree.media)
    found = fields("size", PLANTED)["tank"]
    assert made.learned.media_kg == found["media_kg"]
    assert made.learned.full_kg == found["full_kg"]


def test_export_without_a_journal_leaves_practice_out(journal_folder: Path) -> None:
    raw = tomllib.loads(run("card", "export", "west", "--config", PAIR).stdout)
    assert set(raw["learned"]) == {"media_kg", "full_kg"}
    assert raw["kind"] == "canister"  # no brand
    assert list(raw["media"]) == ["settlement", "coarse", "biological", "polish"]


def test_a_long_holiday_does_not_move_the_typical_interval(journal_folder: Path) -> None:
    """30, 40 and 125 days: the median is 40, the mean would be 65."""
    days = (1.0, 31.0, 71.0, 196.0)
    recorded(journal_folder, *(("planted", EventKind.CLEANED, day, None) for day in days))
    raw = tomllib.loads(run("card", "export", "--config", PLANTED).stdout)
    assert raw["learned"]["days_between_cleanings"] == 40
    assert raw["learned"]["cleanings_seen"] == 3


@pytest.mark.parametrize("days", [[], [10]])
def test_one_cleaning_is_no_interval(journal_folder: Path, days: list[float]) -> None:
    recorded(journal_folder, *(("planted", EventKind.CLEANED, day, None) for day in days))
    raw = tomllib.loads(run("card", "export", "--config", PLANTED).stdout)
    assert "days_between_cleanings" not in raw["learned"]


def test_export_overwrites_nothing(journal_folder: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.toml"
    there.write_text("mine")
    done = run("card", "export", "--config", PLANTED, "--to", str(there))
    assert done.exit_code == 1
    assert "there.toml: cannot be written: File exists; name another file" in done.stderr
    assert there.read_text() == "mine"


def test_show_tells_what_a_card_says() -> None:
    said = run("card", "show", str(CARD)).stdout
    for words in (
        "canister of middle size, three trays (invented)",
        "(invented example)",
        "tray bottom: 180 × 180 × 70 mm",
        "media that fit: 3.4 kg",
        "measured clean flow: 690 L/h",
        "between cleanings: 38 days",
        "layer coarse: foam 20 ppi, 40 mm",
    ):
        assert words in said
    found = fields("card", "show", str(CARD))
    assert found["learned"]["days_between_cleanings"] == 38.0
    assert found["invented"] is True


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration of one's own, readable for a group."""
    file = tmp_path / "canister.toml"
    shutil.copy(PLANTED, file)
    file.chmod(0o640)
    return file


def imported(card: Path, config: Path, name: str = "new_tank", pin: int = 27) -> Result:
    return run(
        "card", "import", str(card), "--as", name, "--pin", str(pin), "--config", str(config)
    )


def test_import_adds_a_filter_and_keeps_the_rest(config: Path) -> None:
    before = config.read_text()
    done = imported(CARD, config)
    assert done.exit_code == 0, done.output
    assert config.read_text().startswith(before)
    assert config.stat().st_mode & 0o7777 == 0o640
    assert [file.name for file in config.parent.iterdir()] == [config.name]
    tree = load(config).tree
    assert list(tree.filters) == ["planted", "new_tank"]
    new, card = tree.filters["new_tank"], read_card(CARD)
    assert new.flow_sensor.pin == 27
    assert (new.pump, new.canister, new.media) == (card.pump, card.canister, card.media)
    assert fields("size", str(config), "--filter", "new_tank")["rated_flow_l_per_h"] == 1200.0


def test_an_exported_card_serves_the_next_tank(
    config: Path, journal_folder: Path, tmp_path: Path
) -> None:
    card = tmp_path / "west.card.toml"
    run("card", "export", "west", "--config", PAIR, "--to", str(card))
    assert imported(card, config).exit_code == 0
    new, west = load(config).tree.filters["new_tank"], load(Path(PAIR)).tree.filters["west"]
    assert (new.pump, new.canister, new.media) == (west.pump, west.canister, west.media)


@pytest.mark.parametrize(
    ("name", "pin", "said"),
    [
        ("planted", 27, "--as planted: that filter is there already; choose another id"),
        ("new_tank", 17, "not added: {config}: filters.new_tank.flow_sensor.pin: GPIO pin 17 already"),
        ("New-Tank", 27, "not added: {config}: filters.New-Tank: got 'New-Tank', expected a lower"),
        ("new tank", 27, "not added: {config}: not valid TOML"),
    ],
)  # fmt: skip
def test_an_import_that_would_be_wrong_leaves_the_file_as_it_was(
    config: Path, name: str, pin: int, said: str
) -> None:
    before = config.read_bytes()
    line = refusal(imported(CARD, config, name, pin))
    assert said.format(config=config) in line
    assert config.read_bytes() == before
    assert [file.name for file in config.parent.iterdir()] == [config.name]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("max_head_m = 1.8", "max_head_m = -1", "pump.max_head_m: got -1, expected more than 0"),
        ("foam 20 ppi", "lava", 'media coarse: unknown material "lava"'),
        ("[pump]", "[pmup]", "pmup: unknown key"),
    ],
)
def test_a_card_that_is_wrong_is_not_imported(
    config: Path, tmp_path: Path, old: str, new: str, said: str
) -> None:
    card = tmp_path / "bad.card.toml"
    card.write_text(CARD.read_text().replace(old, new))
    before = config.read_bytes()
    assert said in refusal(imported(card, config))
    assert config.read_bytes() == before
    assert {file.name for file in config.parent.iterdir()} == {config.name, card.name}


def test_import_into_a_configuration_that_is_wrong_already(config: Path) -> None:
    config.write_text(config.read_text().replace("max_head_m = 0.9", "max_head_m = 0"))
    before = config.read_bytes()
    assert "filters.planted.pump.max_head_m: got 0" in refusal(imported(CARD, config))
    assert config.read_bytes() == before


@pytest.mark.parametrize("pin", [-1, 28])
def test_a_pin_that_no_board_has(config: Path, pin: int) -> None:
    assert imported(CARD, config, pin=pin).exit_code == 2
