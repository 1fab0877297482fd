"""The daemon as a child process, a real broker, a subscriber that is not ours."""

from __future__ import annotations

import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import Command, Mosquitto, free_port, until
from tests.support.subscriber import Subscriber

SITE = "canister/test_room"


def settings(
    folder: Path, port: int | None, rig: str = "", mqtt: str = "", tables: str = ""
) -> Path:
    """Write the configuration of an invented site with one simulated filter."""
    broker = f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\nstate_every_s = 1\n{mqtt}\n'
    file = folder / "canister.toml"
    file.write_text(
        f"""
[site]
id = "test_room"
source = "rig"
[rig]
{rig}
[storage]
folder = "{folder}/state"
live_file = "{folder}/live.json"
{broker if port is not None else ""}
[filters.left]
flow_sensor = {{ pin = 17, bore_mm = 16 }}
probe = {{ rom_id = "28-0123456789ab" }}
pump = {{ rated_flow_l_per_h = 1000, max_head_m = 1.5 }}
limits = {{ flow_stopped_hold_s = 3, clear_hold_s = 2 }}
[filters.left.hoses.both]
bore_mm = 16
length_m = 3
{tables}
""",
        encoding="utf-8",
    )
    return file


@pytest.fixture
def all_topics(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Subscriber]:
    subscriber = Subscriber(tmp_path, mosquitto.port, "canister/#")
    yield subscriber
    subscriber.stop()


def ready(command: Command) -> bool:
    return until(lambda: "watching left" in command.errors, 30)


def test_a_stall_is_raised_and_cleared_and_the_end_is_told(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    file = settings(tmp_path, mosquitto.port, 'faults = ["stall@3s+6s"]')
    daemon = canister("run", "--config", str(file))
    stopped = ("raised", "flow-stopped")
    assert until(lambda: stopped in all_topics.events(), 30), daemon.errors
    assert until(lambda: ("cleared", "flow-stopped") in all_topics.events(), 30), daemon.errors
    assert daemon.stop() == 0, daemon.errors
    assert until(lambda: all_topics.messages()[-1][1].get("presence") == "stopped")
    presence = [p["presence"] for t, p in all_topics.messages() if t == f"{SITE}/presence"]
    assert presence == ["online", "stopped"]
    alarm = [p["active"] for t, p in all_topics.messages() if t.endswith("/alarms/flow-stopped")]
    assert alarm == [False, True, False]
    assert "Traceback" not in daemon.errors


def test_killed_while_an_alarm_stands_it_neither_repeats_nor_forgets(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    file = settings(tmp_path, mosquitto.port, 'faults = ["stall@2s"]')
    first = canister("run", "--config", str(file))
    assert until(lambda: ("raised", "flow-stopped") in all_topics.events(), 30), first.errors
    first.process.kill()
    first.process.wait()
    # The rig begins anew with running water: the standing alarm must be cleared, not raised.
    again = canister("run", "--config", str(file), env={"CANISTER_RIG__FAULTS": "[]"})
    assert until(lambda: ("cleared", "flow-stopped") in all_topics.events(), 30), again.errors
    assert again.stop() == 0
    stops = [e for e in all_topics.events() if e[1] == "flow-stopped"]
    assert stops == [("raised", "flow-stopped"), ("cleared", "flow-stopped")]
    occurrences = {
        p["occurrence"] for t, p in all_topics.messages() if t == f"{SITE}/events" and p["alarm"]
    }
    assert occurrences == {1}


def test_the_last_will_tells_a_lost_daemon(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    daemon = canister("run", "--config", str(settings(tmp_path, mosquitto.port)))
    presence = lambda: [p["presence"] for t, p in all_topics.messages() if t == f"{SITE}/presence"]  # noqa: E731
    assert until(lambda: presence() == ["online"], 30), daemon.errors
    daemon.process.kill()
    assert until(lambda: presence() == ["online", "lost"], 40)


def test_cleaned_while_nothing_runs_takes_effect_at_the_start(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port))
    noted = canister("cleaned", "--config", file)
    assert noted.wait() == 0
    assert "takes effect when canister run is started" in noted.output
    daemon = canister("run", "--config", file)
    assert until(lambda: ("cleaned", None) in all_topics.events(), 30), daemon.errors
    undone = canister("cleaned", "left", "--undo", "--config", file, "--json")
    assert undone.wait() == 0
    assert json.loads(undone.output)["answer"].startswith("done")
    assert until(lambda: ("cleaned-undone", None) in all_topics.events(), 30)
    refused = canister("cleaned", "--undo", "--config", file)
    assert refused.wait() == 2
    both = canister("cleaned", "--undo", "--new-filter", "--config", file)
    assert both.wait() == 2
    assert "expected one of them" in both.errors
    wrong = canister("cleaned", "lefft", "--config", file)
    assert wrong.wait() == 2
    assert "the nearest known is left" in wrong.errors


def test_a_pause_is_told_shown_and_ended(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port, 'faults = ["stall@2s+300s"]'))
    daemon = canister("run", "--config", file)
    assert ready(daemon)
    paused = canister("pause", "--minutes", "10", "--config", file)
    assert paused.wait() == 0, paused.errors
    assert until(lambda: ("paused", None) in all_topics.events(), 20)
    status = canister("status", "--config", file, "--json")
    assert status.wait() == 0
    assert json.loads(status.output.splitlines()[0])["pause"] == "feeding"
    time.sleep(6)
    assert ("raised", "flow-stopped") not in all_topics.events()
    assert canister("resume", "--config", file).wait() == 0
    assert until(lambda: ("raised", "flow-stopped") in all_topics.events(), 20)
    assert canister("resume", "--config", file).wait() == 2, "there is no pause any more"
    assert daemon.stop() == 0


def test_status_tells_live_from_past(
    canister: type[Command], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port))
    before = canister("status", "--config", file)
    assert before.wait() == 1
    assert "no journal yet" in before.errors
    daemon = canister("run", "--config", file)
    assert ready(daemon)
    time.sleep(3)
    live = canister("status", "--config", file, "--json")
    assert live.wait() == 0, live.errors
    row = json.loads(live.output.splitlines()[0])
    assert row["sentence"].startswith("Running at ")
    assert row["watched"] is True
    assert row["simulated"] is True
    daemon.stop()
    past = canister("status", "--config", file)
    assert past.wait() == 0
    assert "canister run is not running" in past.output
    assert "Not watched for" in past.output


def test_a_second_daemon_is_refused(
    canister: type[Command], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    file = str(settings(tmp_path, mosquitto.port))
    first = canister("run", "--config", file)
    assert ready(first)
    second = canister("run", "--config", file)
    assert second.wait() == 1
    assert f"process {first.process.pid}" in second.errors
    assert "Traceback" not in second.errors


def test_without_a_broker_measuring_goes_on_and_one_line_says_so(
    canister: type[Command], tmp_path: Path
) -> None:
    file = settings(tmp_path, free_port(), 'faults = ["stall@2s"]')
    daemon = canister("run", "--config", str(file))
    assert until(lambda: "flow-stopped raised" in daemon.errors, 30)
    assert daemon.stop() == 0
    assert daemon.errors.count("not reached") == 1


def test_version_3_1_1_by_option(
    canister: type[Command], mosquitto: Mosquitto, all_topics: Subscriber, tmp_path: Path
) -> None:
    file = settings(tmp_path, mosquitto.port, 'faults = ["stall@2s"]', 'version = "3.1.1"')
    daemon = canister("run", "--config", str(file))
    assert until(lambda: ("raised", "flow-stopped") in all_topics.events(), 30), daemon.errors
    assert daemon.stop() == 0


def test_password(canister: type[Command], tmp_path: Path) -> None:
    folder = tmp_path / "secured"
    folder.mkdir()
    users = folder / "users"
    tool = shutil.which("mosquitto_passwd")
    assert tool is not None
    subprocess.run([tool, "-b", "-c", str(users), "room", "wet-hands"], check=True)
    port = free_port()
    listener = f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {users}\n"
    broker = Mosquitto(folder, listener=listener)
    broker.port = port
    broker.start()
    secret = tmp_path / "secret"
    secret.write_text("wet-hands\n", encoding="utf-8")
    mqtt = f'username = "room"\npassword_file = "{secret}"'
    file = settings(tmp_path, port, "", mqtt)
    everything = Subscriber(tmp_path, port, "canister/#", "-u", "room", "-P", "wet-hands")
    try:
        daemon = canister("run", "--config", str(file))
        assert until(lambda: len(everything.messages()) > 0, 30), daemon.errors
        assert canister("check", "--config", str(file)).wait() in (0, 1, 2)
        assert daemon.stop() == 0
        secret.write_text("dry-hands\n", encoding="utf-8")
        refused = canister("run", "--config", str(file))
        assert until(lambda: "refused" in refused.errors, 30)
        checked = canister("check", "--config", str(file))
        assert checked.wait() in (1, 2)
        assert "refused" in checked.output
        assert refused.stop() == 0
        for text in (daemon.errors, refused.errors, checked.output, checked.errors):
            assert "wet-hands" not in text
            assert "dry-hands" not in text
    finally:
        everything.stop()
        broker.kill()


def test_tls(canister: type[Command], tmp_path: Path) -> None:
    folder = tmp_path / "tls"
    folder.mkdir()
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.fail("openssl is missing; tests/run installs it")
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
         "-keyout", str(folder / "key.pem"), "-out", str(folder / "cert.pem"),
         "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, capture_output=True,
    )  # fmt: skip
    port = free_port()
    listener = (
        f"listener {port} 127.0.0.1\nallow_anonymous true\ncertfile {folder}/cert.pem\n"
        f"keyfile {folder}/key.pem\n"
    )
    broker = Mosquitto(folder, listener=listener)
    broker.port = port
    broker.start()
    try:
        tls = f'[mqtt.tls]\nenabled = true\nca_file = "{folder}/cert.pem"'
        file = settings(tmp_path, port, "", "", tls)
        good = canister("check", "--config", str(file), "--json")
        good.wait()
        verdicts = {r["part"]: r for r in map(json.loads, good.output.splitlines())}
        assert verdicts["broker"]["verdict"] == "fine", good.output
        unknown = settings(tmp_path, port, "", "", "[mqtt.tls]\nenabled = true")
        bad = canister("check", "--config", str(unknown), "--json")
        assert bad.wait() in (1, 2)
        verdicts = {r["part"]: r for r in map(json.loads, bad.output.splitlines())}
        assert verdicts["broker"]["verdict"] == "failed"
        assert "TLS failed" in verdicts["broker"]["line"]
    finally:
        broker.kill()


def test_refused_by_an_access_rule_nothing_is_lost(canister: type[Command], tmp_path: Path) -> None:
    folder = tmp_path / "rules"
    folder.mkdir()
    rules = folder / "acl"
    rules.write_text(f"topic read #\ntopic write {SITE}/presence\n", encoding="utf-8")
    rules.chmod(0o600)
    broker = Mosquitto(folder, f"acl_file {rules}\n")
    broker.start()
    events = Subscriber(tmp_path, broker.port, "canister/#")
    try:
        file = settings(tmp_path, broker.port, 'faults = ["stall@2s"]')
        daemon = canister("run", "--config", str(file))
        assert until(lambda: "refuses to take" in daemon.errors, 40), daemon.errors
        assert until(lambda: "flow-stopped raised" in daemon.errors, 40)
        assert events.events() == []
        rules.write_text("topic readwrite #\n", encoding="utf-8")
        assert broker.process is not None
        broker.process.send_signal(1)  # SIGHUP: mosquitto reads its access rules again
        assert until(lambda: ("raised", "flow-stopped") in events.events(), 60), daemon.errors
        assert "works again" in daemon.errors
    finally:
        events.stop()
        broker.kill()
