"""Input that once broke a command: each now gives its answer or one clear line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from monitor.cli import app
from monitor.sizing.commissioning import commission
from monitor.sizing.uncertainty import Ensemble

EXAMPLES = Path(__file__).resolve().parents[2] / "deploy" / "examples"
PLANTED = str(EXAMPLES / "planted.toml")
run = CliRunner().invoke


@pytest.mark.parametrize("measured", [30, 125, 130, 135, 140, 900])
def test_any_measured_flow_has_an_answer(measured: int) -> None:
    done = run(app, ["size", PLANTED, "--measured", str(measured), "--json"])
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)["commissioning"]
    assert found["verdict"]
    assert all(q >= 0 for q in found["plausible_l_per_h"])


def test_weights_that_underflow_are_no_division_by_zero() -> None:
    found = commission(Ensemble(np.linspace(0.99, 1.01, 2000), {}), [1 / 1.75], 0.05)
    assert found.median is None


@pytest.mark.parametrize("measured", ["inf", "nan"])
def test_a_measured_flow_that_is_no_number_is_refused(measured: str) -> None:
    done = run(app, ["size", PLANTED, "--measured", measured])
    assert done.exit_code == 2


@pytest.mark.parametrize("value", ["wide", "inf", "nan", "[15, 17", "true"])
def test_a_bad_figure_from_the_environment_names_itself_and_hides_nothing(value: str) -> None:
    env = {
        "CANISTER_FILTERS__PLANTED__OUTLET__BORE_MM": value,
        "CANISTER_FILTERS__PLANTED__TANK__VOLUME_L": "-4",
    }
    done = run(app, ["size", PLANTED], env=env)
    assert done.exit_code == 2
    assert "FILTERS__PLANTED__OUTLET__BORE_MM: filters.planted.outlet.bore_mm: got" in done.stderr
    assert "FILTERS__PLANTED__TANK__VOLUME_L: filters.planted.tank.volume_l: got -4" in done.stderr


@pytest.mark.parametrize("name", ["Tank [/left]", "Tank [left] one", "[bold]", "a\x01b"])
def test_a_name_is_shown_as_it_is_written(tmp_path: Path, name: str) -> None:
    text = (EXAMPLES / "planted.toml").read_text(encoding="utf-8")
    file = tmp_path / "named.toml"
    file.write_text(text.replace('"Planted tank, 60 L"', json.dumps(name)), encoding="utf-8")
    done = run(app, ["size", str(file), "--plot", str(tmp_path / "plot.svg")])
    assert done.exit_code == 0, done.output
    assert name.replace("\x01", "?") in done.stdout
    assert "\x01" not in (tmp_path / "plot.svg").read_text(encoding="utf-8")


def test_a_card_with_a_range_can_be_read_back(tmp_path: Path) -> None:
    card = tmp_path / "east.card.toml"
    pair = str(EXAMPLES / "pair.toml")
    own = {"CANISTER_STORAGE__FOLDER": str(tmp_path / "state")}  # not a journal of this machine
    asked = ["card", "export", "east", "-c", pair, "--to", str(card)]
    assert run(app, asked, env=own).exit_code == 0
    shown = run(app, ["card", "show", str(card), "--json"])
    assert shown.exit_code == 0, shown.output
    assert json.loads(shown.stdout)["pump"]["remaining_head"] == [0.8, 0.9, 1.0]


def test_a_card_writes_no_settings_of_its_own(tmp_path: Path) -> None:
    card = tmp_path / "sly.card.toml"
    text = (EXAMPLES / "mid_canister.card.toml").read_text(encoding="utf-8")
    card.write_text(
        text.replace("kind = ", 'kind = "a\\n[rig]\\nseed = 77"\n# was ', 1), encoding="utf-8"
    )
    file = tmp_path / "site.toml"
    file.write_text((EXAMPLES / "planted.toml").read_text(encoding="utf-8"), encoding="utf-8")
    words = ["card", "import", str(card), "--as", "new", "--pin", "27", "-c", str(file)]
    done = run(app, words)
    assert done.exit_code == 0, done.output
    assert "\n[rig]" not in file.read_text(encoding="utf-8")


def test_own_points_replace_a_cards_pump(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(
        '[site]\nid = "a"\n[filters.x]\nflow_sensor = {pin = 17}\n'
        f'card = "{EXAMPLES}/mid_canister.card.toml"\n'
        "pump = { points = [[0, 1.5], [500, 1.1], [900, 0.2]] }\n",
        encoding="utf-8",
    )
    done = run(app, ["size", str(file)])
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize("kind", ["", "x" * 121, "two\nlines"])
def test_a_cards_kind_is_one_line_of_plain_words(kind: str) -> None:
    done = run(app, ["card", "export", "planted", "--kind", kind, "-c", PLANTED])
    assert done.exit_code == 2
    assert "expected one line" in done.stderr


def test_a_number_of_four_hundred_digits_is_refused(tmp_path: Path) -> None:
    text = (EXAMPLES / "planted.toml").read_text(encoding="utf-8")
    file = tmp_path / "big.toml"
    file.write_text(text.replace("rated_flow_l_per_h = 450", "rated_flow_l_per_h = 1" + "0" * 400))
    done = run(app, ["size", str(file)])
    assert done.exit_code == 2
    assert "expected a finite number" in done.stderr


def test_an_unknown_key_of_a_card_is_measured_by_the_cards_own_keys(tmp_path: Path) -> None:
    card = tmp_path / "c.card.toml"
    card.write_text('kind = "a"\nsource = "b"\npmup = 3\n[pump]\nmax_hed_m = 2\n', encoding="utf-8")
    done = run(app, ["card", "show", str(card)])
    assert done.exit_code == 2
    assert "pmup: unknown key; the nearest known is pump" in done.stderr
    assert "max_hed_m: unknown key; the nearest known is max_head_m" in done.stderr


def test_two_filters_on_one_tank_turn_it_over_together() -> None:
    pair = str(EXAMPLES / "pair.toml")
    rows = [json.loads(x) for x in run(app, ["size", pair, "--json"]).stdout.splitlines()]
    for row in rows:
        assert row["turnover_per_h"] == row["tank"]["turnover_per_h"]
