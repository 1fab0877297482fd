"""What every command owes its user: help with an example, JSON, one line for each mistake."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from monitor.cli import app
from tests.support.commands import refusal
from tests.support.commands import run as canister

ROOT = Path(__file__).resolve().parents[2]
REFERENCE = ROOT / "deploy" / "canister.reference.toml"


def leaves() -> dict[tuple[str, ...], Any]:
    """Every command by the words that call it."""

    def below(command: Any, words: tuple[str, ...]) -> dict[tuple[str, ...], Any]:
        inner = getattr(command, "commands", None)
        if inner is None:
            return {words: command}
        found: dict[tuple[str, ...], Any] = {}
        for name, one in inner.items():
            found |= below(one, (*words, name))
        return found

    return below(get_command(app), ())


COMMANDS = leaves()
run = CliRunner().invoke


def test_the_commands_are_those_of_the_handbook() -> None:
    assert sorted(" ".join(words) for words in COMMANDS) == [
        "access", "acknowledge", "calibrate", "card export", "card import", "card show", "check", "cleaned",
        "commission", "compare", "export",
        "hub audit", "hub backup", "hub broker-setup",
        "hub check", "hub client add", "hub client change", "hub client list", "hub client remove", "hub enrol",
        "hub filter list", "hub filter remove", "hub filter set", "hub lessons", "hub list", "hub page",
        "hub person add", "hub person change", "hub person list", "hub person password", "hub person remove",
        "hub refused", "hub report", "hub revoke", "hub rotate", "hub run", "hub show", "hub site list", "hub site move", "import", "join",
        "page", "page-password", "pause", "rehearse", "replay", "report", "resume", "run", "shelve", "size", "status",
        "test-alarm", "unshelve", "visits", "wiring",
    ]  # fmt: skip


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_help_has_an_example_that_parses(words: tuple[str, ...]) -> None:
    done = run(app, [*words, "--help"], env={"COLUMNS": "200"})
    assert done.exit_code == 0
    lines = [line.strip() for line in done.output.splitlines() if "Example: canister" in line]
    assert len(lines) == 1
    example = tuple(shlex.split(lines[0].removeprefix("Example: canister ")))
    assert example[: len(words)] == words
    COMMANDS[words].make_context(words[-1], list(example[len(words) :]))


def test_size_answers_what_a_keeper_asks() -> None:
    done = run(app, ["size", str(REFERENCE)])
    assert done.exit_code == 0
    for asked in ("clean flow", "of the pump's", "Turnover", "trade's rule", "share", "media"):
        assert asked in done.output


def test_size_for_scripts() -> None:
    done = run(app, ["size", str(REFERENCE), "--json"])
    report = json.loads(done.stdout)
    assert abs(sum(loss["share"] for loss in report["losses"]) - 1.0) < 1e-3
    assert abs(sum(loss["head_m"] for loss in report["losses"]) - report["head_m"]) < 1e-3
    assert report["rule_of_trade_l_per_h"] == report["rated_flow_l_per_h"] / 2


def test_size_in_us_gallons() -> None:
    metric = json.loads(run(app, ["size", str(REFERENCE), "--json"]).stdout)
    done = run(app, ["size", str(REFERENCE)], env={"CANISTER_SITE__UNITS": "us"})
    gallons = metric["clean_flow_l_per_h"] / 3.785411784  # L in a US gallon, NIST Handbook 44
    assert f"clean flow {gallons:.0f} gal/h" in done.output


def test_size_of_an_impossible_filter_is_one_line() -> None:
    lift = {"CANISTER_FILTERS__LONG_TANK__OUTLET__HEIGHT_ABOVE_SURFACE_M": "3"}
    done = run(app, ["size", str(REFERENCE)], env=lift)
    assert done.exit_code == 2
    assert "does not reach the outlet 3 m above the water" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_materials_have_sources() -> None:
    done = run(app, ["size", "--materials", "--json"])
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(rows) >= 8
    assert all(row["source"] for row in rows)


@pytest.mark.parametrize("name", ["run", "check", "size", "status", "cleaned"])
def test_no_configuration_is_one_line_and_exit_2(name: str, tmp_path: Path) -> None:
    done = run(app, [name, "--config", str(tmp_path / "none.toml")])
    assert done.exit_code == 2
    assert "no such file" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.fixture
def here(tmp_path: Path) -> dict[str, str]:
    return {
        "CANISTER_STORAGE__FOLDER": str(tmp_path / "state"),
        "CANISTER_STORAGE__LIVE_FILE": "",
        "CANISTER_MQTT__PORT": "1",
    }


def test_check_gives_a_remedy_for_every_failure(here: dict[str, str]) -> None:
    """No board, no bus and no broker here: three failures of the machine's, exit code 1 or 2."""
    done = run(app, ["check", "--config", str(REFERENCE), "--json"], env=here)
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    failed = {r["part"]: r for r in rows if r["verdict"] == "failed"}
    assert {"flow sensors", "probe long_tank", "broker"} <= failed.keys()
    assert all(r["remedy"] for r in failed.values()), failed
    assert done.exit_code in (1, 2)
    parts = {r["part"] for r in rows}
    assert {"configuration", "clock", "clean flow long_tank"} <= parts


def test_check_tells_all_mistakes_at_once(tmp_path: Path) -> None:
    file = tmp_path / "wrong.toml"
    file.write_text('[site]\nid = "A B"\nnmae = "x"\n[filters.a]\nflow_sensor = {pin = 99}\n')
    done = run(app, ["check", "--config", str(file)])
    assert done.exit_code == 2
    assert len(done.stderr.strip().splitlines()) == 3
    asked = run(app, ["check", "--config", str(file), "--json"])
    assert [json.loads(line)["verdict"] for line in asked.stdout.splitlines()] == ["failed"] * 3


def test_run_without_a_board_is_one_line_and_exit_1(here: dict[str, str]) -> None:
    done = run(app, ["run", "--config", str(REFERENCE)], env=here)
    assert done.exit_code == 1
    assert "GPIO chip" in done.stderr


def test_version() -> None:
    from monitor import __version__

    assert run(app, ["--version"]).output.strip() == __version__


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nosuch"], "canister: No such command 'nosuch'."),
        (["size", "--nosuch"], "canister size: No such option: --nosuch"),
        (["replay"], "canister replay: Missing argument 'FILE'."),
        (["pause", "--minutes", "-3"], "canister pause: Invalid value for '--minutes'"),
        (["card", "nosuch"], "canister card: No such command 'nosuch'."),
    ],
)
def test_a_wrong_word_on_the_command_line_is_one_line(words: list[str], said: str) -> None:
    line = refusal(canister(*words))
    assert line.startswith(said)
    assert "--help` tells more" in line


@pytest.mark.parametrize("words", [[], ["card"]])
def test_no_word_at_all_shows_the_help(words: list[str]) -> None:
    done = canister(*words)
    assert "Commands" in done.output
    assert "tells more" not in done.output
