"""The commands of the books: what they print, what they refuse, and that the undo they say undoes."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import pytest

from tests.support.commands import refusal, run


class Hub:
    """Commands on one configuration, without an administrator of the broker."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.config = folder / "fleet.toml"
        self.config.write_text(
            f"[books]\nfolder = '{folder}/books'\n[broker]\nhost = 'hub.example.org'\n"
            f"username = 'hub'\npassword_file = '{folder}/hub.password'\n",
            encoding="utf-8",
        )

    def __call__(self, *words: str, typed: str | None = None) -> Any:
        return run("hub", *words, "--config", str(self.config), typed=typed)

    def well(self, *words: str, typed: str | None = None) -> str:
        done = self(*words, typed=typed)
        assert done.exit_code == 0, done.output
        return str(done.stdout)

    def no(self, *words: str, typed: str | None = None) -> str:
        return refusal(self(*words, typed=typed))

    def rows(self, *words: str) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.well(*words, "--json").splitlines()]

    def undo(self, said: str) -> None:
        """Type what the command said would take it back, as a shell would hand it over."""
        line = said.strip().splitlines()[-1].split("Undo: canister hub ")[1]
        self.well(*shlex.split(line.split(", and ")[0]))

    def enrol(self, site: str, client: str, *more: str) -> Any:
        file = str(self.folder / f"{site}.toml")
        return self("enrol", site, "--client", client, "--bundle", file, *more)


@pytest.fixture
def hub(tmp_path: Path) -> Hub:
    made = Hub(tmp_path)
    made.well("client", "add", "north", "--name", "North [b] House", "--contact", "desk, 555-0100")
    made.well("client", "add", "south")
    made.well("person", "add", "anna", "--role", "owner", "--name", "Anna")
    return made


def test_lists_for_people_and_for_scripts(hub: Hub) -> None:
    assert hub.rows("client", "list")[0] == {
        "id": "north", "name": "North [b] House", "contact": "desk, 555-0100", "sites": 0,
    }  # fmt: skip
    assert "North [b] House" in hub.well("client", "list")
    assert hub.rows("person", "list") == [
        {"id": "anna", "name": "Anna", "role": "owner", "client": None, "has_password": False}
    ]
    assert hub.rows("site", "list") == []
    assert "No sites yet" in hub.well("site", "list")
    assert "Nothing yet" in hub.well("filter", "list")


def test_every_undo_that_is_said_undoes(hub: Hub) -> None:
    hub.enrol("hall", "north", "--place", "Harbour Street")
    hub.well("filter", "set", "hall", "left", "--pads", "2 of 20 x 20 cm", "--lamp-hours", "9000",
             "--lamp-installed", "2026-03-01", "--consequence", "high", "--note", "it's old")  # fmt: skip
    hub.well("person", "add", "robin", "--role", "technician")
    lists = (("client", "list"), ("person", "list"), ("site", "list"), ("filter", "list"))
    before = [hub.rows(*words) for words in lists]
    for words in (
        ("client", "add", "west"),
        ("client", "change", "north", "--name", "N", "--contact", ""),
        ("person", "add", "kim", "--role", "client", "--client", "south"),
        ("person", "change", "robin", "--role", "client", "--client", "north", "--name", "R"),
        ("person", "remove", "robin"),
        ("site", "move", "hall", "--place", "Mill Lane", "--name", "Hall"),
        ("site", "move", "hall", "--client", "south", "--with-history"),
        ("filter", "remove", "hall", "left"),
        ("client", "remove", "south"),
    ):
        said = hub.well(*words)
        assert [hub.rows(*x) for x in lists] != before, words
        hub.undo(said)
        assert [hub.rows(*x) for x in lists] == before, words
    assert hub.well("site", "move", "hall", "--place", "Harbour Street") == "hall is so already.\n"


def test_without_an_administrator_the_commands_go_alone_to_standard_output(hub: Hub) -> None:
    done = hub.enrol("hall", "north")
    commands = json.loads(done.stdout)["commands"]
    assert [c["command"] for c in commands] == ["createRole", "createClient"]
    assert commands[1]["clientid"] == commands[1]["username"] == "site-canister-hall"
    assert commands[1]["password"] not in done.stderr
    assert "broker.tls is off" in done.stderr
    assert json.loads(hub.well("revoke", "hall"))["commands"][0]["command"] == "deleteClient"
    assert hub.rows("site", "list")[0]["standing"] == "revoked"
    setup = json.loads(hub.well("broker-setup"))["commands"]
    assert setup[2]["username"] == "hub"
    assert setup[2]["password"] == (hub.folder / "hub.password").read_text("utf-8").strip()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("client add North", "client 'North': expected lower-case letters"),
        ("client add north", "is in the books already"),
        ("client add west --name ''", "name: is empty"),
        ("client change nort", "the nearest known is north"),
        ("client remove eas", "client 'eas': not in the books"),
        ("person add kim", "--role: got '', expected one of owner, technician, client"),
        ("person add kim --role boss", "--role: got 'boss'"),
        ("person add kim --role client", "say whose sites they see"),
        ("person add kim --role owner --client north", "leave the client out"),
        ("person change kim --name K", "person 'kim': not in the books"),
        ("person remove anna", "is the only owner"),
        ("person password kim", "person 'kim': not in the books"),
        ("site move hall", "nothing to change"),
        ("site move hall --place X", "site 'hall': not in the books"),
        ("site list --client eas", "client 'eas': not in the books"),
        ("enrol hall --client eas", "client 'eas': not in the books"),
        ("enrol Hall --client north", "site 'Hall': expected"),
        ("enrol hall", "Missing option '--client'"),
        ("revoke hall", "`canister hub enrol` adds one"),
        ("rotate hall", "site 'hall': not in the books"),
        ("filter set hall left", "site 'hall': not in the books"),
        ("filter set hall left --consequence bad", "expected one of low, normal, high"),
        ("filter set hall left --lamp-hours x", "Invalid value for '--lamp-hours'"),
        ("filter remove hall left", "nothing is in the books"),
        ("audit --last 0", "Invalid value for '--last'"),
    ],
)
def test_mistakes_are_one_line(hub: Hub, words: str, told: str) -> None:
    before = hub.rows("audit")
    assert told in hub.no(*shlex.split(words))
    assert hub.rows("audit") == before
    assert not list(hub.folder.glob("*.bundle.toml"))


def test_another_clients_history_is_given_on_purpose_only(hub: Hub) -> None:
    hub.enrol("hall", "north")
    line = hub.no("site", "move", "hall", "--client", "south")
    assert "south would see all that was recorded for north; say --with-history" in line
    hub.well("site", "move", "hall", "--client", "north", "--place", "same client")
    assert hub.no("client", "remove", "north").startswith("canister: client 'north': has the sites")


def test_a_password_comes_from_a_pipe_and_is_nowhere_else(hub: Hub) -> None:
    assert "expected 10 to 200" in hub.no("person", "password", "anna", typed="short\n")
    assert "expected 10 to 200" in hub.no("person", "password", "anna", typed="")
    said = hub.well("person", "password", "anna", typed="invented-and-long\n")
    assert hub.rows("person", "list")[0]["has_password"] is True
    assert "invented-and-long" not in said + hub.well("audit", "--json")
    stored = b"".join(f.read_bytes() for f in (hub.folder / "books").iterdir())
    assert b"invented-and-long" not in stored
    hub.well("person", "password", "anna", "--take-away")
    assert hub.rows("person", "list")[0]["has_password"] is False


def test_the_trail_says_who_did_it(hub: Hub, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("getpass.getuser", lambda: "root")
    monkeypatch.setenv("SUDO_USER", "robin")
    hub.well("client", "add", "west")
    newest = hub.rows("audit", "--last", "1")[0]
    assert (newest["who"], newest["did"], newest["subject"]) == ("robin (sudo)", "client added", "west")  # fmt: skip
    assert newest["utc"].endswith("+00:00")
    assert [r["subject"] for r in hub.rows("audit", "north")] == ["north"]


def test_a_backup_is_the_books(hub: Hub) -> None:
    copy = hub.folder / "copy" / "books.sqlite"
    copy.parent.mkdir()
    hub.well("backup", str(copy))
    assert "never written over" in hub.no("backup", str(copy))
    assert copy.stat().st_mode & 0o777 == 0o600
    before = hub.rows("client", "list")
    text = hub.config.read_text("utf-8").replace("/books'", "/copy'")
    hub.config.write_text(text, encoding="utf-8")
    assert hub.rows("client", "list") == before


def test_a_bad_configuration_is_told(hub: Hub) -> None:
    hub.config.write_text("[broker]\n", encoding="utf-8")
    assert "broker.host: missing" in hub.no("client", "list")
    hub.config.unlink()
    assert "copy deploy/fleet/fleet.reference.toml there" in hub.no("client", "list")
