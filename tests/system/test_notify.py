"""The daemon tells people: a stop at once, the daily word, a test alarm over every way."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import Command, Mosquitto, until
from tests.system.test_daemon import ready, settings
from tests.unit.delivery.test_notify import Phone


@pytest.fixture
def phone() -> Iterator[Phone]:
    made = Phone()
    yield made
    made.server.shutdown()
    made.server.server_close()


def test_a_stop_reaches_the_phone_and_a_test_goes_every_way(
    canister: type[Command], mosquitto: Mosquitto, phone: Phone, tmp_path: Path
) -> None:
    addresses = tmp_path / "addresses"
    addresses.write_text(f"# my phone\n{phone.address}\n", encoding="utf-8")
    tables = (
        f'[notify]\naddresses_file = "{addresses}"\n'
        f'[signs]\nping_url = "http://127.0.0.1:{phone.port}/alive"\nping_every_min = 1\n'
    )
    file = settings(tmp_path, mosquitto.port, 'faults = ["stall@2s"]', tables=tables)
    daemon = canister("run", "--config", str(file))
    assert ready(daemon)
    told = lambda: [g.get("title", "") for g in phone.got]  # noqa: E731
    assert until(lambda: "SIMULATED test_room, left: flow stopped" in told(), 40), daemon.errors
    assert {"path": "/alive"} in phone.got
    trial = canister("test-alarm", "--config", str(file))
    assert trial.wait() == 0, trial.output + trial.errors
    ways = [line.split(":")[0] for line in trial.output.splitlines()[:2]]
    assert ways[0] == "mqtt"
    assert ways[1].startswith("notify-")
    assert until(lambda: "SIMULATED test_room: test" in told())
    assert daemon.stop() == 0
    assert "json://" not in daemon.errors, "addresses are secrets"


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        (
            '[notify]\naddresses_file = "/nowhere/x"',
            "notify.addresses_file: cannot read /nowhere/x",
        ),
        ('[notify]\naddresses_file = "/dev/null"', "holds no address"),
        ('[notify]\naddresses_file = "x"\nquiet_from = "22:00"', "go together"),
        ('[notify]\naddresses_file = "x"\nquiet_from = "25:00"\nquiet_to = "07:00"', "quiet_from"),
        ('[signs]\ndaily_at = "9"', "signs.daily_at"),
        ('[alarms]\nlatching = ["flow-up"]', "alarms.latching"),
        (
            "[alarms]\nrepeat_min = 1000\nrepeat_at_most_h = 1",
            "must not be shorter than repeat_min",
        ),
    ],
)
def test_a_mistake_in_these_tables_is_one_line(
    canister: type[Command], tmp_path: Path, tables: str, words: str
) -> None:
    file = settings(tmp_path, None, tables=tables)
    command = canister("run", "--config", str(file))
    assert command.wait() == 2
    assert words in command.errors
    assert len(command.errors.strip().splitlines()) == 1
