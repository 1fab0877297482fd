"""`mosquitto_sub` as a child process: a subscriber that is not ours."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest


class Subscriber:
    """Comes back by itself after a break, with a session that the broker keeps for it."""

    def __init__(self, folder: Path, port: int, topic: str, *options: str) -> None:
        binary = shutil.which("mosquitto_sub")
        if binary is None:
            pytest.fail("mosquitto_sub is missing; tests/run installs it")
        self.file = folder / f"sub-{topic.replace('/', '_').replace('#', 'all')}"
        command = [binary, "-h", "127.0.0.1", "-p", str(port), "-t", topic, "-q", "1",
                   "-V", "mqttv5", "-c", "-i", f"sub-{folder.name}-{topic}", "-x", "3600", "-v",
                   *options]  # fmt: skip
        with self.file.open("wb") as out:
            self.process = subprocess.Popen(command, stdout=out, stderr=subprocess.DEVNULL)

    def lines(self) -> list[tuple[str, str]]:
        """Return topic and text of everything that came, in order; "" for what was taken away."""
        parted = (x.partition(" ") for x in self.file.read_text(encoding="utf-8").splitlines())
        return [(topic, "" if text == "(null)" else text) for topic, _, text in parted]

    def messages(self) -> list[tuple[str, dict[str, Any]]]:
        """Return topic and payload of everything that came, in order."""
        return [(topic, json.loads(text)) for topic, text in self.lines() if text]

    def events(self) -> list[tuple[str, str | None]]:
        """Return event and alarm of every message on an events topic."""
        return [(p["event"], p["alarm"]) for t, p in self.messages() if t.endswith("/events")]

    def stop(self) -> None:
        """End it."""
        self.process.kill()
        self.process.wait()


def retained(port: int, *topics: str) -> dict[str, str]:
    """Return what a broker keeps, as a newcomer sees it."""
    binary = shutil.which("mosquitto_sub")
    if binary is None:
        pytest.fail("mosquitto_sub is missing; tests/run installs it")
    command = [binary, "-h", "127.0.0.1", "-p", str(port), "-v", "--retained-only", "-W", "1"]
    for topic in topics:
        command += ["-t", topic]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    parted = (line.partition(" ") for line in done.stdout.splitlines())
    return {topic: text for topic, _, text in parted}
