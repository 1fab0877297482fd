"""The outside address hears from the daemon for as long as it can raise an alarm, and no longer."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from monitor.app import daemon as daemon_room
from monitor.app.daemon import Daemon
from monitor.errors import StorageError
from monitor.journal.store import Journal
from monitor.records import AlarmKind, Moment
from monitor.sensing.gpio import PulsePins
from monitor.settings.model import SettingsTree

ALLOWED_S = 0.3


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The addresses that were asked."""
    found: list[str] = []
    monkeypatch.setattr(daemon_room, "ping", found.append)
    monkeypatch.setattr(daemon_room, "_LOOP_SILENCE_S", ALLOWED_S)
    return found


@pytest.fixture
def daemon(tmp_path: Path, asked: list[str]) -> Iterator[Daemon]:
    tree = SettingsTree.model_validate(
        tomllib.loads(
            f"""
            site = {{ id = "invented" }}
            storage = {{ folder = "{tmp_path}/state", live_file = "" }}
            signs = {{ ping_url = "https://example.org/invented" }}
            [filters.left]
            flow_sensor = {{ pin = 17, bore_mm = 16 }}
            """
        )
    )
    factory = MockFactory()
    pins = PulsePins({"left": (17, 1000.0)}, factory)
    made = Daemon(tree, {"left": None}, [pins])
    pins.start()
    yield made
    made._shut()
    factory.reset()


def ticked(daemon: Daemon, *seconds: int) -> None:
    for second in seconds:
        daemon._tick(Moment(float(second), 1.7e9 + second))


def test_a_journal_that_cannot_be_written_does_not_silence_it(
    daemon: Daemon, asked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It still measures, judges and tells; that the journal fails is an alarm of its own."""

    def full(*_: object, **__: object) -> None:
        raise StorageError("journal: cannot write: disk full")

    monkeypatch.setattr(Journal, "record", full)
    ticked(daemon, *range(700))
    assert not daemon._recorder.health().working
    assert daemon._station.site.alarm(AlarmKind.JOURNAL_FAILING).active
    daemon._ping()
    assert len(asked) == 1
    monkeypatch.undo()


def test_a_loop_that_stands_still_silences_it(daemon: Daemon, asked: list[str]) -> None:
    ticked(daemon, 1)
    daemon._ping()
    assert len(asked) == 1
    time.sleep(ALLOWED_S + 0.1)
    daemon._ping()
    assert len(asked) == 1
    ticked(daemon, 2)
    daemon._ping()
    assert asked == ["https://example.org/invented"] * 2
