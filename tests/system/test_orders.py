"""What people do with alarms, over the command line and over a real broker, to a daemon that runs."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.delivery import payloads
from monitor.runtime.clock import kernel_synchronised as synchronised
from tests.conftest import Command, Mosquitto, until
from tests.support.subscriber import Subscriber
from tests.system.test_daemon import SITE, ready, settings


@pytest.fixture
def all_topics(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Subscriber]:
    subscriber = Subscriber(tmp_path, mosquitto.port, "canister/#")
    yield subscriber
    subscriber.stop()


def ask(port: int, payload: str, *more: str, answers: str = f"{SITE}/answers/phone") -> Any:
    """Ask as MQTT 5 has it, by another program: response topic and correlation data."""
    done = subprocess.run(
        ["mosquitto_rr", "-V", "5", "-p", str(port), "-q", "1", "-t", f"{SITE}/commands",
         "-e", answers, "-m", payload, "-D", "publish", "correlation-data", "c7", "-W", "15",
         "-F", "%J", *more],
        capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_stop_is_acknowledged_over_mqtt_and_the_answer_comes_back(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    file = settings(tmp_path, mosquitto.port, 'faults = ["stall@2s"]')
    daemon = canister("run", "--config", str(file))
    assert until(lambda: ("raised", "flow-stopped") in all_topics.events(), 30), daemon.errors
    told = ask(
        mosquitto.port,
        '{"order":"acknowledge","filter":"left","alarm":"flow-stopped","occurrence":1,"by":"Ada"}',
    )
    assert told["properties"]["correlation-data"] == "c7"
    answer = json.loads(told["payload"]) if isinstance(told["payload"], str) else told["payload"]
    assert answer["accepted"] is True
    assert answer["answer"] == "done: left flow-stopped acknowledged"
    standing = f"{SITE}/filters/left/alarms/flow-stopped"
    shown = lambda: [(p["state"], p["by"]) for t, p in all_topics.messages() if t == standing]  # noqa: E731
    assert until(lambda: shown()[-1] == ("acknowledged", "Ada"))
    again = ask(mosquitto.port, '{"order":"acknowledge","filter":"left"}')["payload"]
    assert "nothing to acknowledge" in str(again)
    assert daemon.stop() == 0


def test_what_a_reader_missed_is_sent_again(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    daemon = canister(
        "run", "--config", str(settings(tmp_path, mosquitto.port, 'faults = ["stall@2s"]'))
    )
    assert until(lambda: ("raised", "flow-stopped") in all_topics.events(), 30), daemon.errors
    sent = lambda: [p for t, p in all_topics.messages() if t == f"{SITE}/events"]  # noqa: E731
    first = sent()[0]
    last = first["sequence"]
    told = ask(mosquitto.port, json.dumps({"order": "resend", "first": last, "last": last}))
    assert "1 of 1 events sent again" in str(told["payload"])
    assert until(lambda: sent().count(first) == 2)
    assert daemon.stop() == 0


def test_ill_commands_are_answered_and_change_nothing(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    daemon = canister("run", "--config", str(settings(tmp_path, mosquitto.port)))
    # It listens once its retained topics are shown.
    assert until(lambda: any("/filters/" in t for t, _ in all_topics.messages()), 30)
    time.sleep(0.5)
    for payload, words in (
        ("[1]", "expected a JSON object"),
        ('{"order":"dance","filter":"left"}', "unknown order dance"),
        ('{"order":"cleaned","filter":"moon"}', "no filter moon"),
    ):
        assert words in str(ask(mosquitto.port, payload)["payload"])
    subprocess.run(
        ["mosquitto_pub", "-p", str(mosquitto.port), "-t", f"{SITE}/commands", "-r", "-q", "1",
         "-m", '{"order":"cleaned","filter":"left"}'],
        check=True, timeout=10,
    )  # fmt: skip
    answers = lambda: [p for t, p in all_topics.messages() if t == f"{SITE}/answers"]  # noqa: E731
    # A live subscriber sees it as not retained; the daemon does, at its next start, and refuses.
    assert until(lambda: len(answers()) == 1)
    assert daemon.stop() == 0
    again = canister("run", "--config", str(tmp_path / "canister.toml"))
    assert until(lambda: any("retained" in p["answer"] for p in answers()), 30), again.errors
    assert again.stop() == 0
    assert [e[0] for e in all_topics.events()].count("cleaned") == 1


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_pause_that_waited_at_the_broker_is_refused_and_one_given_now_is_not(
    canister: type[Command],
    mosquitto: Mosquitto,
    all_topics: Subscriber,
    tmp_path: Path,
    version: str,
) -> None:
    file = str(settings(tmp_path, mosquitto.port, mqtt=f'version = "{version}"'))
    first = canister("run", "--config", file)
    assert ready(first)
    assert until(lambda: any("/filters/" in t for t, _ in all_topics.messages()), 30)
    time.sleep(1)
    assert first.stop() == 0

    def said() -> list[str]:
        return [p["answer"] for t, p in all_topics.messages() if t == f"{SITE}/answers"]

    def give(**fields: object) -> None:
        body = json.dumps({"order": "feeding", "filter": "left", "minutes": 30, **fields})
        command = ["mosquitto_pub", "-p", str(mosquitto.port), "-q", "1", "-t", f"{SITE}/commands"]
        subprocess.run([*command, "-m", body], check=True, timeout=10)

    give()
    give(time=payloads.iso(time.time() - 3600.0))
    give(order="maintenance", time=payloads.iso(time.time()))
    again = canister("run", "--config", file)
    assert until(lambda: len(said()) == 3, 30), again.errors
    assert "waited at the broker" in said()[0]
    # A clock that may be wrong cannot say what is late (tests/unit/app/test_recorder.py has both).
    late = "refused: asked for 60 min ago, for 30 min" if synchronised() else "done: "
    assert said()[1].startswith(late)
    assert said()[2].startswith("done: flow alarms wait for ")
    time.sleep(3)
    give()
    assert until(lambda: said()[3:] == ["done: flow alarms wait for 30 min at the most"], 15)
    assert again.stop() == 0


def test_a_test_alarm_goes_the_whole_way_and_ends_when_acknowledged(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port))
    idle = canister("test-alarm", "--config", file)
    assert idle.wait() == 1
    assert "not running" in idle.errors
    daemon = canister("run", "--config", file)
    assert ready(daemon)
    trial = canister("test-alarm", "--config", file)
    assert trial.wait() == 0, trial.errors
    assert trial.output.startswith("mqtt: taken after ")
    assert until(lambda: ("raised", "test") in all_topics.events())
    seen = canister("acknowledge", "--config", file, "--by", "Ada")
    assert seen.wait() == 0, seen.errors
    assert seen.output.strip() == "test_room: done: test acknowledged"
    assert until(lambda: ("cleared", "test") in all_topics.events())
    assert daemon.stop() == 0


def test_shelved_on_the_command_line_shown_by_status_and_unshelved(
    canister: type[Command], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port))
    daemon = canister("run", "--config", file)
    assert ready(daemon)
    shelved = canister("shelve", "cleaning-due", "left", "--hours", "2", "--config", file)
    assert shelved.wait() == 0, shelved.errors
    status = lambda: canister("status", "--config", file)  # noqa: E731

    def shown(words: str) -> bool:
        one = status()
        return one.wait() == 0 and words in one.output

    assert until(lambda: shown("alarm: cleaning due, shelved"), 10)
    back = canister("unshelve", "--config", file)
    assert back.wait() == 0, back.errors
    assert "left cleaning-due normal" in back.output
    wrong = canister("shelve", "cleaning", "left", "--config", file)
    assert wrong.wait() == 2
    assert "no alarm cleaning" in wrong.output
    assert daemon.stop() == 0


def test_a_heartbeat_stands_and_expires(
    canister: type[Command], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """With MQTT 5 the retained heartbeat goes by itself once nobody renews it (section 3.3.2.3.3)."""
    file = settings(tmp_path, mosquitto.port, mqtt="heartbeat_s = 10")
    daemon = canister("run", "--config", str(file))
    assert ready(daemon)

    def beat() -> str:
        done = subprocess.run(
            ["mosquitto_sub", "-V", "5", "-p", str(mosquitto.port), "-t", f"{SITE}/heartbeat",
             "-C", "1", "-W", "2", "-F", "%J"],
            capture_output=True, text=True, timeout=10, check=False,
        )  # fmt: skip
        return done.stdout

    assert until(lambda: "not_running" in beat(), 30)
    told = json.loads(beat())
    assert 0 < told["properties"]["message-expiry-interval"] <= 30
    daemon.process.kill()
    assert until(lambda: beat() == "", 45), "it is gone, and so is whoever sent it"
