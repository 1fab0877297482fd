"""The rehearsal against a real broker and a subscriber that is not ours."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from tests.conftest import Command, Mosquitto, until
from tests.support.subscriber import Subscriber

SHORT = ("--days", "3", "--fault", "stall@1d6h+90m", "--fault", "kink@2d+1h")


@pytest.fixture
def events(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Subscriber]:
    subscriber = Subscriber(tmp_path, mosquitto.port, "canister/+/events")
    yield subscriber
    subscriber.stop()


def rows(command: Command) -> list[dict[str, object]]:
    return [json.loads(line) for line in command.output.splitlines()]


def test_an_independent_subscriber_sees_the_same_alarms(
    canister: type[Command], mosquitto: Mosquitto, events: Subscriber, tmp_path: Path
) -> None:
    broker = f"127.0.0.1:{mosquitto.port}"
    command = canister("rehearse", "--seed", "1", "--json", "--broker", broker, *SHORT)
    assert command.wait() == 0, command.errors
    told = rows(command)
    stop = [r["event"] for r in told if r["alarm"] == "flow-stopped"]
    assert stop == ["raised", "updated", "escalated", "repeated", "cleared"]
    assert [r["event"] for r in told if r["alarm"] == "flow-low"] == ["raised", "cleared"]
    assert until(lambda: len(events.messages()) >= len(told))
    assert [payload for _, payload in events.messages()] == told


def test_a_stopped_flow_says_cause_and_advice(
    canister: type[Command], mosquitto: Mosquitto
) -> None:
    broker = f"127.0.0.1:{mosquitto.port}"
    command = canister("rehearse", "--json", "--broker", broker, *SHORT)
    assert command.wait() == 0
    stop = next(r for r in rows(command) if r["alarm"] == "flow-stopped")
    assert stop["cause"] == "pump-or-power"
    assert "unplug" in str(stop["advice"])
    assert stop["flow_l_per_h"] == 0.0
    # The stall begins at 30 h and the hold time is 10 s; the first second may be shared.
    assert str(stop["time"]).startswith("2026-03-03T14:00:1")


def test_a_broker_killed_in_the_middle_loses_nothing(
    canister: type[Command], mosquitto: Mosquitto, events: Subscriber
) -> None:
    broker = f"127.0.0.1:{mosquitto.port}"
    # Three days in about twelve seconds, so that the break lies in the middle.
    command = canister("rehearse", "--json", "--broker", broker, "--speed", "20000", *SHORT)
    assert until(lambda: len(command.output.splitlines()) >= 2, 60)
    mosquitto.kill()
    before = len(command.output.splitlines())
    assert until(lambda: len(command.output.splitlines()) > before, 60), (
        "nothing happened meanwhile"
    )
    mosquitto.start()
    assert command.wait(120) == 0, command.errors
    told = rows(command)
    assert until(lambda: len({p["id"] for _, p in events.messages()}) >= len(told), 30)
    received = {str(p["id"]): p for _, p in events.messages()}
    assert received == {str(r["id"]): r for r in told}


def test_retained_topics_show_how_it_ended(
    canister: type[Command], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    broker = f"127.0.0.1:{mosquitto.port}"
    assert canister("rehearse", "--json", "--broker", broker, *SHORT).wait() == 0
    late = Subscriber(tmp_path, mosquitto.port, "canister/#")
    assert until(lambda: len(late.messages()) >= 6)
    late.stop()
    held = dict(late.messages())
    site = "canister/quarry_lane_cellar"
    assert held[f"{site}/presence"]["presence"] == "stopped"
    assert held[f"{site}/filters/long_tank/alarms/flow-stopped"]["active"] is False
    assert held[f"{site}/filters/long_tank/alarms/flow-stopped"]["occurrence"] == 1
    assert held[f"{site}/filters/long_tank/alarms/cleaning-due"]["occurrence"] == 0
    assert held[f"{site}/filters/long_tank/state"]["simulated"] is True


def test_without_mosquitto_the_alarms_stay_here_and_one_line_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("monitor.app.child_broker.mosquitto_binary", lambda: None)
    done = CliRunner().invoke(app, ["rehearse", *SHORT])
    assert done.exit_code == 0, done.output
    said = [line for line in done.output.splitlines() if "mosquitto is not installed" in line]
    assert len(said) == 1
    assert "flow stopped: raised" in done.output
    assert "events in the journal" in done.output


def test_the_same_seed_tells_the_same_story(canister: type[Command], mosquitto: Mosquitto) -> None:
    broker = f"127.0.0.1:{mosquitto.port}"
    stories = []
    for _ in range(2):
        command = canister("rehearse", "--seed", "7", "--json", "--broker", broker, *SHORT)
        assert command.wait() == 0
        stories.append(
            [
                {k: v for k, v in r.items() if k not in ("id", "run", "journal")}
                for r in rows(command)
            ]
        )
    assert stories[0] == stories[1]
    assert len(stories[0]) >= 5


def test_a_broker_that_never_answers_ends_in_one_line(canister: type[Command]) -> None:
    command = canister("rehearse", "--broker", "127.0.0.1:1", "--wait", "2", "--json", *SHORT)
    assert command.wait() == 1
    assert "could not be delivered within 2 s" in command.errors
    assert "Traceback" not in command.errors
    assert len(rows(command)) >= 5, "the alarms are told all the same"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--broker", "host:port:x"), "expected HOST or HOST:PORT"),
        (("--fault", "flood@1d"), "unknown name flood"),
        (("--fault", "stall"), "expected NAME@START"),
    ],
)
def test_mistakes_are_one_line_and_exit_2(
    canister: type[Command], arguments: tuple[str, ...], said: str
) -> None:
    command = canister("rehearse", *arguments)
    assert command.wait() == 2
    assert said in command.errors
    assert len(command.errors.strip().splitlines()) == 1
