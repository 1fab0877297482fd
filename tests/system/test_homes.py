"""Homie and Home Assistant's discovery through the real daemon, a real broker and a subscriber."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.delivery.homie import SITE_NODE
from tests.conftest import Command, Mosquitto, until
from tests.support import discovery, homie5
from tests.support.subscriber import Subscriber, retained
from tests.system.test_daemon import SITE, ready, settings

HOMIE = "[mqtt.homie]\nenabled = true"
DISCOVERY = "[mqtt.discovery]\nenabled = true"
BASE = "homie/5/canister-test-room"
STATE = f"{BASE}/$state"
CONFIG = "homeassistant/device/canister-test_room-left/config"
SITE_CONFIG = "homeassistant/device/canister-test_room/config"
SECOND = """
[filters.right]
flow_sensor = { pin = 27, bore_mm = 16 }
pump = { rated_flow_l_per_h = 1000, max_head_m = 1.5 }
[filters.right.hoses.both]
bore_mm = 16
length_m = 3
"""


@pytest.fixture
def homie(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Subscriber]:
    subscriber = Subscriber(tmp_path, mosquitto.port, "homie/#")
    yield subscriber
    subscriber.stop()


def states(homie: Subscriber) -> list[str]:
    return [text for topic, text in homie.lines() if topic == STATE]


def now(homie: Subscriber) -> dict[str, str]:
    return dict(homie.lines())


def test_a_homie_device_is_complete_when_ready_and_lost_when_killed(
    canister: type[Command], mosquitto: Mosquitto, homie: Subscriber, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port, 'faults = ["stall@4s"]', HOMIE))
    first = canister("run", "--config", file)
    assert until(lambda: states(homie) == ["init", "ready"], 30), first.errors
    lines = homie.lines()
    before = lines[: lines.index((STATE, "ready"))]
    document = json.loads(dict(before)[f"{BASE}/$description"])
    named = {f"{BASE}/left/{name}" for name in document["nodes"]["left"]["properties"]}
    assert named <= {topic for topic, _ in before}, "ready means that every value has been sent"
    assert homie5.problems({t: text.encode() for t, text in now(homie).items()}) == []

    assert until(lambda: now(homie).get(f"{BASE}/left/flow", "") != "", 20)
    assert until(lambda: now(homie)[f"{BASE}/left/alarm-flow-stopped"] == "true", 30)
    assert until(lambda: now(homie).get(f"{BASE}/$alert/left--flow-stopped", "") != "", 10)
    assert now(homie)[f"{BASE}/left/simulated"] == "true"
    assert homie5.problems({t: text.encode() for t, text in now(homie).items()}) == []

    first.process.kill()
    first.process.wait()
    assert until(lambda: states(homie)[-1] == "lost", 40)

    again = canister("run", "--config", file, env={"CANISTER_RIG__FAULTS": "[]"})
    assert until(lambda: states(homie)[-2:] == ["init", "ready"], 30), again.errors
    assert until(lambda: now(homie)[f"{BASE}/left/alarm-flow-stopped"] == "false", 30)
    assert now(homie)[f"{BASE}/$alert/left--flow-stopped"] == "", "the alert is gone"
    assert again.stop() == 0
    assert until(lambda: states(homie)[-1] == "disconnected", 10)
    assert states(homie) == ["init", "ready", "lost", "init", "ready", "disconnected"]
    versions = {json.loads(x)["version"] for t, x in homie.lines() if t.endswith("$description")}
    assert len(versions) == 1, "the same description keeps its version"
    assert "Traceback" not in first.errors + again.errors


def test_an_alarm_of_the_site_shows_and_a_new_password_needs_no_restart(
    canister: type[Command], tmp_path: Path
) -> None:
    folder = tmp_path / "locked"
    folder.mkdir()
    passwords, secret = folder / "passwords", folder / "secret"

    def now_is(word: str) -> None:
        made = ["mosquitto_passwd", "-c", "-b", str(passwords), "test_room", word]
        subprocess.run(made, check=True, capture_output=True, timeout=20)
        passwords.chmod(0o644)
        secret.write_text(f"{word}\n", encoding="utf-8")

    now_is("invented-old")
    # Whoever watches may look in without a password: it is the site that is tested.
    broker = Mosquitto(folder, f"password_file {passwords}\n")
    broker.start()
    watching = Subscriber(tmp_path, broker.port, "homie/#")
    try:
        mqtt = f'username = "test_room"\npassword_file = "{secret}"\n{HOMIE}'
        file = str(settings(tmp_path, broker.port, "", mqtt))
        daemon = canister("run", "--config", file)
        assert until(lambda: states(watching)[-1:] == ["ready"], 30), daemon.errors
        assert now(watching)[f"{BASE}/{SITE_NODE}/alarm-test"] == "false"
        trial = canister("test-alarm", "--config", file)
        assert trial.wait() == 0, trial.output + trial.errors
        assert until(lambda: now(watching)[f"{BASE}/{SITE_NODE}/alarm-test"] == "true", 10)
        assert now(watching)[f"{BASE}/$alert/{SITE_NODE}--test"] != ""
        assert homie5.problems({t: text.encode() for t, text in now(watching).items()}) == []
        now_is("invented-new")
        broker.stop()
        broker.start()
        assert until(lambda: "delivery to homie works again" in daemon.errors, 60), daemon.errors
        assert daemon.stop() == 0
        assert "invented" not in daemon.errors, "no secret in a log"
    finally:
        watching.stop()
        broker.kill()


def test_after_a_break_the_device_is_ready_again(
    canister: type[Command], mosquitto: Mosquitto, homie: Subscriber, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port, "", HOMIE))
    daemon = canister("run", "--config", file)
    assert until(lambda: states(homie)[-1:] == ["ready"], 30), daemon.errors
    mosquitto.kill()
    mosquitto.start()
    assert until(lambda: "delivery to homie works again" in daemon.errors, 60), daemon.errors
    # A subscriber that comes back late sees only how it ends.
    assert until(lambda: len(states(homie)) >= 2 and states(homie)[-1] == "ready", 20)
    assert daemon.stop() == 0


def test_an_announcement_names_only_topics_that_are_there(
    canister: type[Command], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port, "", DISCOVERY))
    daemon = canister("run", "--config", file)
    assert ready(daemon)
    time.sleep(3)
    there = retained(mosquitto.port, "homeassistant/#", "canister/#", "homie/#")
    assert {topic for topic in there if not topic.startswith(SITE)} == {CONFIG, SITE_CONFIG}
    assert discovery.problems(SITE_CONFIG, there[SITE_CONFIG]) == []
    assert discovery.topics(there[SITE_CONFIG]) <= there.keys()
    assert discovery.problems(CONFIG, there[CONFIG]) == []
    assert discovery.topics(there[CONFIG]) <= there.keys()
    whole = json.loads(there[CONFIG])
    for name, part in whole["components"].items():
        text = there[part.get("state_topic", whole["state_topic"])]
        read = discovery.rendered(part["value_template"], text)
        if part["platform"] == "binary_sensor":
            assert read in ("ON", "OFF"), name
        else:
            assert read == "None" or float(read) is not None, name
    online = there[whole["availability_topic"]]
    assert discovery.rendered(whole["availability_template"], online) == "online"
    assert daemon.stop() == 0
    offline = retained(mosquitto.port, whole["availability_topic"])[whole["availability_topic"]]
    assert discovery.rendered(whole["availability_template"], offline) == "offline"


def others(port: int) -> dict[str, str]:
    return retained(port, "homie/#", "homeassistant/#")


@pytest.mark.parametrize(("killed", "version"), [(False, "3.1.1"), (True, "5")])
def test_what_is_switched_off_leaves_nothing_behind(
    canister: type[Command],
    mosquitto: Mosquitto,
    homie: Subscriber,
    tmp_path: Path,
    killed: bool,
    version: str,
) -> None:
    keys = f'version = "{version}"\n'
    file = str(settings(tmp_path, mosquitto.port, "", f"{keys}{HOMIE}\n{DISCOVERY}"))
    first = canister("run", "--config", file)
    assert until(lambda: states(homie)[-1:] == ["ready"], 30), first.errors
    if killed:
        first.process.kill()
        first.process.wait()
    else:
        assert first.stop() == 0
    assert {CONFIG, STATE} <= others(mosquitto.port).keys()
    off = str(settings(tmp_path, mosquitto.port, "", keys))
    second = canister("run", "--config", off)
    assert ready(second), second.errors
    assert until(lambda: others(mosquitto.port) == {}, 20), second.errors
    # "Device Lifecycle": `$state` is taken away first.
    gone = [topic for topic, text in homie.lines() if text == ""]
    properties = [t for t in gone if t.endswith(("/left/alarm-flow-low", "/$description"))]
    assert gone.index(STATE) < max(gone.index(topic) for topic in properties)
    if killed:
        time.sleep(12)  # the last will of the killed run would come ten seconds after it
        assert others(mosquitto.port) == {}
    assert second.stop() == 0
    third = canister("run", "--config", off)
    assert ready(third)
    assert third.stop() == 0
    assert "homie" not in second.errors + third.errors


def test_a_filter_that_is_gone_vanishes_everywhere(
    canister: type[Command], mosquitto: Mosquitto, homie: Subscriber, tmp_path: Path
) -> None:
    mqtt = f"{HOMIE}\n{DISCOVERY}"
    both = str(settings(tmp_path, mosquitto.port, "", mqtt, SECOND))
    first = canister("run", "--config", both)
    assert until(lambda: states(homie)[-1:] == ["ready"], 30), first.errors
    assert first.stop() == 0

    def right() -> list[str]:
        whole = retained(mosquitto.port, "#")
        return [topic for topic in whole if "right" in topic]

    assert len(right()) > 20
    one = str(settings(tmp_path, mosquitto.port, "", mqtt))
    second = canister("run", "--config", one)
    assert ready(second), second.errors
    assert until(lambda: right() == [], 20), right()
    assert until(lambda: states(homie)[-2:] == ["init", "ready"], 20)
    document = json.loads(now(homie)[f"{BASE}/$description"])
    assert list(document["nodes"]) == ["left", SITE_NODE]
    versions = [json.loads(x)["version"] for t, x in homie.lines() if t.endswith("$description") and x]  # fmt: skip
    assert versions[-1] > versions[0]
    assert second.stop() == 0


def test_a_broker_that_refuses_them_gets_the_alarms_all_the_same(
    canister: type[Command], tmp_path: Path
) -> None:
    folder = tmp_path / "rules"
    folder.mkdir()
    rules = folder / "acl"
    rules.write_text(f"topic read #\ntopic write {SITE}/#\n", encoding="utf-8")
    rules.chmod(0o600)
    broker = Mosquitto(folder, f"acl_file {rules}\n")
    broker.start()
    events = Subscriber(tmp_path, broker.port, "canister/#")
    try:
        mqtt = f"{HOMIE}\n{DISCOVERY}"
        file = settings(tmp_path, broker.port, 'faults = ["stall@2s"]', mqtt)
        daemon = canister("run", "--config", str(file))
        assert until(lambda: ("raised", "flow-stopped") in events.events(), 40), daemon.errors
        assert until(lambda: f"refuses to take {STATE}" in daemon.errors, 40), daemon.errors
        assert daemon.errors.count(f"refuses to take {CONFIG}") == 1
        assert daemon.stop() == 0
        assert "Traceback" not in daemon.errors
    finally:
        events.stop()
        broker.kill()
