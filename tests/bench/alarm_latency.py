"""From the deciding second to a subscriber: the real daemon as a process, a real broker on loopback.

Two filters stop and run in turn, each for a second, with no hold, so that every tick of the safety loop
raises one alarm and clears another. Counted from the beginning of the tick that decides, whose time
the event carries, until an independent client has the event: reading, judging, the commit to disk and
the broker's way all lie between. The wire itself is timed in the same run: bare paho publishing the same
number of such messages one by one.
"""

from __future__ import annotations

import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.app.daemon import Daemon
from monitor.app.plans import Predicted
from monitor.records import Health, Moment, PulseReading, Reading
from monitor.settings.load import load
from tests.bench.figure import Figure
from tests.conftest import Mosquitto

ALARMS = 120
TARGET_MS = 100.0
_PULSES = 75  # a second at 600 L/h and 450 pulses a litre
_ROOT = Path(__file__).resolve().parents[2]
_SERVE = "import sys; from tests.bench.alarm_latency import serve; serve(sys.argv[1])"


class Turns:
    """Two filters of which one runs while the other stands; they change places every second."""

    def __init__(self) -> None:
        self._second = 0
        self._noise = random.Random(1)

    def start(self) -> None:
        """Nothing to begin."""

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """A second's pulses of both."""
        self._second += 1
        running = ("left", "right")[self._second % 2]
        return tuple(
            PulseReading(n, 1.0, self._noise.randint(_PULSES - 2, _PULSES + 2) * (n == running))
            for n in ("left", "right")
        )

    def health(self, now: Moment) -> Health:
        """It always works."""
        return Health("turns", True, "two filters in turn")

    def close(self) -> None:
        """Nothing to let go of."""


def serve(file: str) -> None:
    """Be the daemon until told to stop."""
    predicted = Predicted(600 / 3.6e6, 1.0)
    Daemon(
        load(Path(file), sound=False).tree, {"left": predicted, "right": predicted}, [Turns()]
    ).run()


def measure() -> list[Figure]:
    """Wait for the alarms, then time the wire."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder)
        broker.start()
        file = folder / "canister.toml"
        file.write_text(_configuration(folder, broker.port), encoding="utf-8")
        late = sorted(_alarms_ms(broker.port, file, folder))
        wire = sorted(_wire_ms(broker.port))
        broker.kill()
    p50, p99 = statistics.median(late), late[int(0.99 * (len(late) - 1))]
    bare50, bare99 = statistics.median(wire), wire[int(0.99 * (len(wire) - 1))]
    name = f"alarm from its second to a subscriber, {len(late)} alarms"
    said = "bare paho, publish to receipt"
    return [
        Figure(f"{name}: median", f"{p50:.1f} ms", f"{bare50:.1f} ms ({said})", f"{p50 / bare50:.1f}",
               "none", True),
        Figure(f"{name}: p99", f"{p99:.1f} ms", f"{bare99:.1f} ms ({said})", f"{p99 / bare99:.1f}",
               f"{TARGET_MS:g} ms", p99 < TARGET_MS),
    ]  # fmt: skip


def _configuration(folder: Path, port: int) -> str:
    limits = "limits = { flow_stopped_hold_s = 0, clear_hold_s = 0 }"
    return f"""
[site]
id = "bench"
[storage]
folder = "{folder}/state"
live_file = "{folder}/live.json"
[mqtt]
host = "127.0.0.1"
port = {port}
[filters.left]
flow_sensor = {{ pin = 17 }}
{limits}
[filters.right]
flow_sensor = {{ pin = 27 }}
{limits}
"""


class _Ear:
    """A client of its own that notes when something came."""

    def __init__(self, port: int, topic: str) -> None:
        self.heard: list[tuple[float, Any]] = []
        self._topic = topic
        self._ready = threading.Event()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="ear", protocol=paho.MQTTv5
        )
        self._client.on_message = self._came
        self._client.on_subscribe = lambda *_arguments: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe(topic, qos=1)
        if not self._ready.wait(10):
            raise RuntimeError("the broker does not let the bench subscribe")

    def _came(self, _client: Any, _data: Any, message: Any) -> None:
        at_s = time.time()
        if message.topic.endswith("/events"):
            self.heard.append((at_s, msgspec.json.decode(message.payload)))

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def _alarms_ms(port: int, file: Path, folder: Path) -> list[float]:
    """Milliseconds of each alarm raised, after the first few seconds."""
    ear = _Ear(port, "canister/#")
    with (folder / "daemon.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-c", _SERVE, str(file)], stdout=log, stderr=log, cwd=_ROOT
        )
    until = time.monotonic() + ALARMS + 60
    found: list[float] = []
    while len(found) < ALARMS and time.monotonic() < until and process.poll() is None:
        time.sleep(0.5)
        found = [
            (at_s - datetime.fromisoformat(body["time"]).timestamp()) * 1000
            for at_s, body in ear.heard
            if body["event"] == "raised" and body["alarm"] == "flow-stopped"
        ][5:]  # while it starts, the connection is being made
    process.terminate()
    process.wait(30)
    ear.close()
    if len(found) < ALARMS:
        raise RuntimeError(
            f"{len(found)} alarms came: {(folder / 'daemon.log').read_text()[-500:]}"
        )
    return found[:ALARMS]


def _wire_ms(port: int) -> list[float]:
    """Milliseconds from publish to receipt, one message at a time."""
    ear = _Ear(port, "bare/events")
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="mouth", protocol=paho.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for number in range(ALARMS):
        body = msgspec.json.encode({"number": number, "sent": time.time(), "fill": "x" * 600})
        client.publish("bare/events", body, 1).wait_for_publish(10)
        time.sleep(0.02)
    client.disconnect()
    client.loop_stop()
    ear.close()
    return [(at_s - body["sent"]) * 1000 for at_s, body in ear.heard]
