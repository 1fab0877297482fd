"""Fixtures for all tests: a clean environment, real servers, the recordings beside the checkout."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

# How fast this machine makes examples says nothing about what they show.
hypothesis_settings.register_profile(
    "ours", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile("ours")

ROOT = Path(__file__).resolve().parent.parent
RECORDINGS = ROOT.parent / "shared" / "data"


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """No setting of the machine that runs the tests reaches them."""
    for name in list(os.environ):
        if name.startswith("CANISTER_"):
            monkeypatch.delenv(name)


@pytest.fixture
def recordings() -> Path:
    """The real recordings; a test that needs them is skipped where they are absent."""
    if not RECORDINGS.is_dir():
        pytest.skip(f"the real recordings are not at {RECORDINGS.relative_to(ROOT.parent)}")
    return RECORDINGS


@pytest.fixture
def written(tmp_path: Path) -> Callable[..., str]:
    """Write a configuration; return its name."""

    def build(text: str, name: str = "canister.toml") -> str:
        file = tmp_path / name
        file.write_text(text, encoding="utf-8")
        return str(file)

    return build


def free_port() -> int:
    """Return a port on loopback that nobody uses at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """A real broker on loopback; `kill` is as hard as a power cut, `start` brings it back."""

    def __init__(self, folder: Path, extra: str = "", listener: str | None = None) -> None:
        self.folder = folder
        self.port = free_port()
        binary = shutil.which("mosquitto", path=f"{os.environ['PATH']}:/usr/sbin")
        if binary is None:
            pytest.fail("mosquitto is missing; tests/run installs it")
        self._binary = binary
        self.config = folder / "mosquitto.conf"
        self.config.write_text(
            (listener or f"listener {self.port} 127.0.0.1\nallow_anonymous true\n")
            + f"persistence true\npersistence_location {folder}/\n"
            f"autosave_interval 1\nautosave_on_changes true\n{extra}"
            + ("user root\n" if os.geteuid() == 0 else ""),
            encoding="utf-8",
        )
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [self._binary, "-c", str(self.config)], stdout=subprocess.DEVNULL, stderr=log
            )
        until = time.monotonic() + 10
        while time.monotonic() < until:
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.5).close()
                return
            except OSError:
                time.sleep(0.02)
        pytest.fail(f"mosquitto did not start: {(self.folder / 'log').read_text()}")

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker."""
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.start()
    yield broker
    broker.kill()


class Command:
    """`canister …` as a child process, its output in files."""

    def __init__(self, folder: Path, *arguments: str, env: dict[str, str] | None = None) -> None:
        self.out = folder / f"out-{time.monotonic_ns()}"
        self.err = folder / f"err-{time.monotonic_ns()}"
        with self.out.open("wb") as out, self.err.open("wb") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor", *arguments],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=err,
                env={**os.environ, "COLUMNS": "200", **(env or {})},
            )

    def wait(self, within_s: float = 60.0) -> int:
        return self.process.wait(within_s)

    def stop(self) -> int:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.process.wait(30)

    @property
    def output(self) -> str:
        return self.out.read_text(encoding="utf-8")

    @property
    def errors(self) -> str:
        return self.err.read_text(encoding="utf-8")


@pytest.fixture
def canister(tmp_path: Path) -> Iterator[type[Command]]:
    """Starts commands and leaves none behind."""
    started: list[Command] = []

    class Started(Command):
        def __init__(self, *arguments: str, env: dict[str, str] | None = None) -> None:
            super().__init__(tmp_path, *arguments, env=env)
            started.append(self)

    yield Started  # type: ignore[misc]
    for command in started:
        if command.process.poll() is None:
            command.process.kill()
            command.process.wait()


def until(condition: object, within_s: float = 20.0, every_s: float = 0.05) -> bool:
    """Wait for a callable to be true; return whether it came true in time."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if condition():  # type: ignore[operator]
            return True
        time.sleep(every_s)
    return False
