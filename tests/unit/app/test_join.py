"""A board takes a bundle: what changes in its configuration, what stays, and what is refused before that."""

from __future__ import annotations

import shlex
import tomllib
from pathlib import Path
from typing import Any

import pytest

from monitor.app import join as room
from monitor.app.join import join
from monitor.errors import SettingsError, UserMistake
from monitor.fleet.bundle import Bundle, written
from monitor.settings.load import load, password
from tests.support.commands import FILTER

PEM = "-----BEGIN CERTIFICATE-----\nTm90IGEgY2VydGlmaWNhdGU=\n-----END CERTIFICATE-----"


def bundle(folder: Path, **changes: Any) -> Path:
    values = {"site": "hall", "host": "hub.example.org", "port": 8883, "tls": True, "topic_root": "canister",
              "username": "site-canister-hall", "client_id": "site-canister-hall",
              "password": "invented-secret", "ca_pem": PEM}  # fmt: skip
    file = folder / "hall.bundle.toml"
    file.write_text(written(Bundle(**(values | changes))), encoding="utf-8")
    return file


def board(folder: Path, mqtt: str = "") -> Path:
    file = folder / "canister.toml"
    text = "# my notes\n" + FILTER + f'[storage]\nfolder = "{folder}/state"\n' + mqtt
    file.write_text(text, encoding="utf-8")
    return file


def test_a_board_without_a_broker_gets_one(tmp_path: Path) -> None:
    file = board(tmp_path)
    before = file.read_text("utf-8")
    done = join(file, bundle(tmp_path), "stamp")
    assert done.in_place
    found = tomllib.loads(file.read_text("utf-8"))
    state = tmp_path / "state"
    assert found["site"] == {"id": "hall"}
    assert found["mqtt"] == {
        "host": "hub.example.org", "port": 8883, "username": "site-canister-hall",
        "password_file": f"{state}/fleet.password", "client_id": "site-canister-hall",
        "tls": {"enabled": True, "ca_file": f"{state}/fleet-ca.pem"},
    }  # fmt: skip
    assert found["filters"] == tomllib.loads(before)["filters"]
    assert file.read_text("utf-8").startswith("# my notes\n")
    assert (tmp_path / "canister.toml.stamp").read_text("utf-8") == before
    tree = load(file).tree
    assert tree.mqtt is not None
    assert password(tree.mqtt) == "invented-secret"
    assert (state / "fleet-ca.pem").read_text("utf-8").strip() == PEM
    assert "invented-secret" not in "".join(done.lines) + file.read_text("utf-8")


def test_an_old_broker_gives_way_whole(tmp_path: Path) -> None:
    mqtt = (
        '[mqtt]\nhost = "old"  # the old one\nport = 1884\nversion = "3.1.1"\nusername = "u"\n'
        'password = "old secret"\nclient_id = "x"\ntopic_root = "mine"\nheartbeat_s = 30\n'
        f'[mqtt.tls]\nenabled = true\nca_file = "{tmp_path}/a"\ncert_file = "{tmp_path}/b"\nkey_file = "{tmp_path}/c"\n'
    )
    file = board(tmp_path, mqtt)
    join(file, bundle(tmp_path, tls=False, ca_pem=""), "stamp")
    tree = load(file).tree.mqtt
    assert tree is not None
    assert (tree.host, tree.port, tree.version, tree.password, tree.topic_root) == ("hub.example.org", 8883, "5", None, "canister")  # fmt: skip
    assert (tree.tls.enabled, tree.tls.ca_file, tree.tls.cert_file, tree.tls.key_file) == (False, "", "", "")  # fmt: skip
    assert tree.heartbeat_s == 30, "what the hub has no say in stays"
    assert "# the old one" in file.read_text("utf-8")


def test_a_new_password_changes_its_file_only(tmp_path: Path) -> None:
    file = board(tmp_path)
    join(file, bundle(tmp_path), "one")
    before = file.read_text("utf-8")
    done = join(file, bundle(tmp_path, password="invented-second"), "two")
    assert file.read_text("utf-8") == before
    assert not (tmp_path / "canister.toml.two").exists()
    assert any("the password is the new one" in line for line in done.lines)
    assert (tmp_path / "state" / "fleet.password").read_text("utf-8") == "invented-second\n"


def test_who_may_not_write_the_configuration_is_told_the_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = board(tmp_path)
    before = file.read_text("utf-8")
    monkeypatch.setattr(room, "writable", lambda _file: False)
    done = join(file, bundle(tmp_path), "stamp")
    assert not done.in_place
    assert file.read_text("utf-8") == before
    (line,) = [x for x in done.lines if "sudo install" in x]
    words = shlex.split(line)
    assert words[-1] == str(file)
    assert tomllib.loads(Path(words[-2]).read_text("utf-8"))["mqtt"]["host"] == "hub.example.org"
    assert Path(words[-2]).stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("mqtt", "changes", "told"),
    [
        (
            "[mqtt]\nhost = 'x'\n[mqtt.homie]\nenabled = true\n",
            {},
            "mqtt.homie.enabled: the fleet's",
        ),
        ("[mqtt]\nhost = 'x'\n[mqtt.discovery]\nenabled = true\n", {}, "mqtt.discovery.enabled"),
        ("[mqtt]\nhots = 'x'\n", {}, "mqtt.hots: unknown key"),
        ("", {"site": "No Site"}, "site.id: "),
        ("", {"topic_root": "a b"}, "mqtt.topic_root: "),
        ("", {"client_id": "x" * 65}, "mqtt.client_id: "),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_written(
    tmp_path: Path, mqtt: str, changes: dict[str, Any], told: str
) -> None:
    file = board(tmp_path, mqtt)
    before = file.read_text("utf-8")
    with pytest.raises((UserMistake, SettingsError)) as raised:
        join(file, bundle(tmp_path, **changes), "stamp")
    assert told in str(raised.value)
    assert "invented-secret" not in str(raised.value)
    assert file.read_text("utf-8") == before
    assert not (tmp_path / "state").exists()


def test_files_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(UserMistake, match="no such file; `canister hub enrol` makes it"):
        join(board(tmp_path), tmp_path / "none", "stamp")
    with pytest.raises(SettingsError, match="no such file"):
        join(tmp_path / "none.toml", bundle(tmp_path), "stamp")
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(Exception, match="not UTF-8 text"):
        join(tmp_path / "canister.toml", tmp_path / "binary", "stamp")
