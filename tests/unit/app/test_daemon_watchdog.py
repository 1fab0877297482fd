"""The service manager hears from the daemon only while every part of it does its work."""

from __future__ import annotations

import socket
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from monitor.app import daemon as daemon_room
from monitor.app.daemon import Daemon
from monitor.records import Moment
from monitor.sensing.gpio import PulsePins
from monitor.settings.model import SettingsTree

ALLOWED_S = 0.2


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """What systemd listens on, by sd_notify(3)."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
        link.bind(str(tmp_path / "notify"))
        link.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield link


def heard(link: socket.socket) -> list[str]:
    found = []
    while True:
        try:
            found.append(link.recv(1000).decode())
        except BlockingIOError:
            return found


def test_a_dead_pulse_thread_is_not_fed_for(
    tmp_path: Path, manager: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its counters would stand still for ever: only a new process brings it back."""
    monkeypatch.setattr(daemon_room, "_PULSES_SILENCE_S", ALLOWED_S)
    tree = SettingsTree.model_validate(
        tomllib.loads(
            f"""
            site = {{ id = "invented" }}
            storage = {{ folder = "{tmp_path}/state", live_file = "" }}
            [filters.left]
            flow_sensor = {{ pin = 17, bore_mm = 16 }}
            """
        )
    )
    factory = MockFactory()
    pins = PulsePins({"left": (17, 1000.0)}, factory)
    daemon = Daemon(tree, {"left": None}, [pins])
    pins.start()
    try:
        daemon._tick(Moment(1.0, 1e9))
        assert heard(manager) == ["WATCHDOG=1"]
        monkeypatch.setattr(PulsePins, "_look", lambda *_: "the thread has died")
        time.sleep(ALLOWED_S + 0.1)
        daemon._tick(Moment(2.0, 1e9 + 1))
        assert heard(manager) == []
        monkeypatch.undo()
        daemon._tick(Moment(3.0, 1e9 + 2))
        assert heard(manager) == ["WATCHDOG=1"]
    finally:
        daemon._shut()
        factory.reset()
