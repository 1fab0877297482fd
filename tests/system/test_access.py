"""What the broker lets a site do: Mosquitto with its dynamic-security plugin, and a stranger's hands."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import Command, Mosquitto, until
from tests.system.test_daemon import ready, settings

CONTROL = "$CONTROL/dynamic-security/v1"
ADMIN = ("-u", "admin", "-P", "invented-admin")
PLUGINS = [*Path("/usr/lib").glob("*/mosquitto_dynamic_security.so")]
LEFT = ("-u", "test_room", "-P", "invented-left")
OTHER = ("-u", "other_room", "-P", "invented-other")


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker that asks its plugin for everything."""
    folder = tmp_path / "guarded"
    folder.mkdir()
    rules = folder / "rules.json"
    made = ["mosquitto_ctrl", "dynsec", "init", str(rules), "admin", "invented-admin"]
    subprocess.run(made, check=True, capture_output=True, timeout=20)
    rules.chmod(0o600)
    assert PLUGINS, "the plugin comes with Debian's package mosquitto"
    extra = f"allow_anonymous false\nplugin {PLUGINS[0]}\nplugin_opt_config_file {rules}\n"
    broker = Mosquitto(folder, extra)
    broker.start()
    yield broker
    broker.kill()


def publish(port: int, who: tuple[str, ...], topic: str, message: str) -> str:
    """Return what the broker said to a publication at QoS 1, empty when it took it."""
    done = subprocess.run(
        ["mosquitto_pub", "-V", "5", "-p", str(port), *who, "-q", "1", "-t", topic, "-m", message],
        capture_output=True, text=True, timeout=20, check=False,
    )  # fmt: skip
    return done.stderr.strip()


def subscribe(port: int, who: tuple[str, ...], topic: str) -> str:
    """Return what the broker said to a subscription, empty when it granted it."""
    done = subprocess.run(
        ["mosquitto_sub", "-V", "5", "-p", str(port), *who, "-q", "1", "-t", topic, "-W", "1"],
        capture_output=True, text=True, timeout=20, check=False,
    )  # fmt: skip
    return "" if "Timed out" in done.stderr else done.stderr.strip()


def admit(
    canister: type[Command], folder: Path, port: int, site: str, user: tuple[str, ...]
) -> str:
    """Let the broker's administrator admit a site by what `canister access` prints."""
    folder.mkdir()
    mqtt = f'username = "{user[1]}"\npassword = "{user[3]}"'
    file = settings(folder, port, 'faults = ["stall@2s"]', mqtt)
    file.write_text(file.read_text("utf-8").replace('"test_room"', f'"{site}"'), encoding="utf-8")
    told = canister("access", "--config", str(file))
    assert told.wait() == 0, told.errors
    assert publish(port, ADMIN, CONTROL, told.output.strip()) == ""
    return str(file)


def order_broker(port: int, *commands: dict[str, object]) -> None:
    """Send the administrator's commands."""
    assert publish(port, ADMIN, CONTROL, json.dumps({"commands": commands})) == ""


@pytest.mark.parametrize("opened", [False, True])
def test_a_site_writes_its_own_branch_reads_its_own_commands_and_no_more(
    canister: type[Command], guarded: Mosquitto, tmp_path: Path, opened: bool
) -> None:
    """Also where the keeper of the broker has opened it to everybody, and that stays his business."""
    port, anybody = guarded.port, ("-u", "old_radio", "-P", "invented-radio")
    order_broker(port, {"command": "createClient", "username": anybody[1], "password": anybody[3]})
    if opened:
        kinds = ("publishClientSend", "publishClientReceive", "subscribe", "unsubscribe")
        acls = [{"acltype": kind, "allow": True} for kind in kinds]
        order_broker(port, {"command": "setDefaultACLAccess", "acls": acls})
    admit(canister, tmp_path / "left", port, "test_room", LEFT)
    admit(canister, tmp_path / "other", port, "other_room", OTHER)
    assert until(lambda: publish(port, LEFT, "canister/test_room/events", "x") == "", 10)
    refused = "not authorized"
    for topic in (
        "canister/other_room/events",
        "canister/other_room/commands",
        "canister/x",
        "canister/test_roomx/events",
        CONTROL,
    ):
        assert refused in publish(port, LEFT, topic, "x").lower(), topic
    assert subscribe(port, LEFT, "canister/test_room/commands") == ""
    for topic in (
        "canister/other_room/commands",
        "canister/+/commands",
        "canister/#",
        "#",
        "canister/test_room/events",
        "$share/hub/canister/+/events",
        "$share/hub/canister/test_room/commands",
        "$SYS/#",
    ):
        assert subscribe(port, LEFT, topic) != "", topic
    assert (publish(port, anybody, "radio/news", "x") == "") is opened, "others have what they had"
    assert (subscribe(port, anybody, "radio/news") == "") is opened


def test_a_reader_reads_the_site_and_gives_orders_only_when_let(
    canister: type[Command], guarded: Mosquitto, tmp_path: Path
) -> None:
    port, phone = guarded.port, ("-u", "phone", "-P", "invented-phone")
    file = admit(canister, tmp_path / "left", port, "test_room", LEFT)

    def let(*words: str) -> None:
        told = canister("access", "--reader", "phone", *words, "--config", file)
        assert told.wait() == 0, told.errors
        assert "invented" not in told.output, "no secret of the site's"
        assert publish(port, ADMIN, CONTROL, told.output.strip()) == ""

    def refused(who: tuple[str, ...], topic: str) -> bool:
        return "not authorized" in publish(port, who, topic, "x").lower()

    let()
    assert publish(port, ("-u", "phone"), "canister/x", "x") != "", "no way in without a password"
    password = {"command": "setClientPassword", "username": "phone", "password": phone[3]}
    order_broker(port, password)
    assert until(lambda: subscribe(port, phone, "canister/test_room/#") == "", 10)
    for topic in ("canister/#", "#", "canister/other_room/#", "$share/hub/canister/test_room/#"):
        assert subscribe(port, phone, topic) != "", topic
    for topic in ("canister/test_room/events", "canister/test_room/commands"):
        assert refused(phone, topic), topic
    let("--orders", "--renew")
    assert until(lambda: not refused(phone, "canister/test_room/commands"), 10)
    assert refused(phone, "canister/test_room/events")
    let("--withdraw")
    assert until(lambda: subscribe(port, phone, "canister/test_room/#") != "", 10)
    wrong = canister("access", "--reader", "test_room", "--config", file)
    assert wrong.wait() == 2
    assert "is the site's own user" in wrong.errors


def test_a_stranger_and_a_withdrawn_site_are_not_let_in(
    canister: type[Command], guarded: Mosquitto, tmp_path: Path
) -> None:
    port, topic = guarded.port, "canister/test_room/events"
    file = admit(canister, tmp_path / "left", port, "test_room", LEFT)
    assert until(lambda: publish(port, LEFT, topic, "x") == "", 10)
    assert publish(port, (), topic, "x") != ""
    assert publish(port, ("-u", "test_room", "-P", "guess"), topic, "x") != ""
    gone = canister("access", "--withdraw", "--config", file)
    assert gone.wait() == 0
    assert publish(port, ADMIN, CONTROL, gone.output.strip()) == ""
    assert until(lambda: publish(port, LEFT, topic, "x") != "", 10)


def test_the_daemon_lives_with_these_rules_and_a_new_password_needs_no_restart(
    canister: type[Command], guarded: Mosquitto, tmp_path: Path
) -> None:
    port = guarded.port
    secret = tmp_path / "secret"
    secret.write_text("invented-left\n", encoding="utf-8")
    file = Path(admit(canister, tmp_path / "left", port, "test_room", LEFT))
    text = file.read_text("utf-8")
    text = text.replace('password = "invented-left"', f'password_file = "{secret}"')
    file.write_text(text, encoding="utf-8")
    daemon = canister("run", "--config", str(file))
    assert ready(daemon)
    assert until(lambda: "raised" in daemon.errors, 30), daemon.errors
    trial = canister("test-alarm", "--config", str(file))
    assert trial.wait() == 0, trial.output + trial.errors
    # The keeper of the broker changes the password: the session is cut, the new file is read.
    changed = (
        '{"commands":[{"command":"setClientPassword","username":"test_room",'
        '"password":"invented-new"}]}'
    )
    secret.write_text("invented-new\n", encoding="utf-8")
    assert publish(port, ADMIN, CONTROL, changed) == ""
    guarded.stop()
    guarded.start()
    again = canister("acknowledge", "--config", str(file))
    assert again.wait() == 0, again.errors
    assert until(lambda: "works again" in daemon.errors, 60), daemon.errors
    assert daemon.stop() == 0
    assert "invented" not in daemon.errors, "no secret in a log"


def test_a_wrong_password_is_an_alarm_of_the_site(
    canister: type[Command], guarded: Mosquitto, tmp_path: Path
) -> None:
    file = admit(canister, tmp_path / "left", guarded.port, "test_room", LEFT)
    text = Path(file).read_text("utf-8").replace("invented-left", "guess")
    Path(file).write_text(text, encoding="utf-8")
    daemon = canister("run", "--config", file)
    assert until(lambda: "refused: " in daemon.errors, 30), daemon.errors
    # Raised after it has lasted a minute: the keeper of the broker may be at work.
    assert until(lambda: "site: delivery-refused raised" in daemon.errors, 100), daemon.errors
    assert daemon.errors.count("refused: ") <= 3, "one line, however long it lasts"
    assert daemon.stop() == 0
