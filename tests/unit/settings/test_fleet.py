"""The hub's own configuration: in step with its reference, and every mistake in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import SettingsError
from monitor.settings.fleet import load_fleet, secret
from monitor.settings.reference import fleet_reference

REFERENCE = Path(__file__).resolve().parents[3] / "deploy" / "fleet" / "fleet.reference.toml"


def put(folder: Path, text: str) -> Path:
    file = folder / "fleet.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_the_reference_is_what_the_settings_say_and_can_be_used() -> None:
    text = REFERENCE.read_text(encoding="utf-8")
    assert text == fleet_reference()
    tree, file = load_fleet(REFERENCE)
    assert tree.broker.host == "localhost"
    assert tree.redis.shards == 16
    assert file == REFERENCE


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "broker: missing"),
        ("[broker]\n", "broker.host: missing"),
        ('[broker]\nhost = "b"\nhots = "c"\n', "broker.hots: unknown key; the nearest known is host"),
        ('[broker]\nhost = "b"\nport = 0\n', "broker.port: got 0, expected 1 or more"),
        ('[broker]\nhost = "b"\n[redis]\nurl = "http://x"\n', "redis.url: got something that is not"),
        ('[broker\n', "not valid TOML"),
    ],
)  # fmt: skip
def test_mistakes_are_told_in_one_line(tmp_path: Path, text: str, told: str) -> None:
    file = put(tmp_path, text)
    with pytest.raises(SettingsError) as raised:
        load_fleet(file)
    (line,) = raised.value.problems
    assert line.startswith(f"{file}: ")
    assert told in line


def test_no_file_says_what_to_copy(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"copy deploy/fleet/fleet\.reference\.toml there"):
        load_fleet(tmp_path / "none.toml")


def test_a_secret_is_the_first_line_of_its_file(tmp_path: Path) -> None:
    file = tmp_path / "secret"
    file.write_text("open sesame\nmore\n", encoding="utf-8")
    assert secret("broker.password_file", str(file)) == "open sesame"
    assert secret("broker.password_file", "") is None
    file.write_text("\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"broker\.password_file: .* is empty"):
        secret("broker.password_file", str(file))
    with pytest.raises(SettingsError, match="cannot read"):
        secret("broker.password_file", str(tmp_path / "none"))
