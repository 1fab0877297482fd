"""A fleet under faults: workers killed, Redis killed and emptied, the broker killed, 200 sites go on.

The sites are simulated, each with ten days behind it that are published within a minute or so; what a
board does of itself they do too: they show again what stands when the broker is back, send events
again when they are asked to, and go on giving signs of life. In the end the memory in Redis must be that
of a plain fold over every message, every alarm told once, and every line of history at the server.
"""

from __future__ import annotations

import json
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.fleet.fold import Memory
from monitor.hub.books.link import FILE_NAME as BOOKS
from monitor.hub.redis_link import StateError
from monitor.hub.state import State
from tests.conftest import Mosquitto
from tests.faultrun.fleet_judge import differences, expected, history, telling
from tests.faultrun.row import Row
from tests.support.hub import BROKER, configuration
from tests.support.phone import Phone
from tests.support.real_redis import RealRedis
from tests.support.sites import Sent, Site
from tests.support.timeseries import VictoriaMetrics

_ROOT = Path(__file__).resolve().parents[2]
_CONVERGED_WITHIN_S = 180.0
_SHOWN_AGAIN_EVERY_S = 5.0
# What was said so long before a fault may not be at the server yet, and workers are back so long after.
_WAITS_AT_MOST_S, _BACK_WITHIN_S = 5.0, 3.0
WORKERS = 3


class Boards:
    """All sites behind one connection: publishes what they say, and answers as boards do."""

    def __init__(self, port: int, sites: list[Site]) -> None:
        self._sites = {site.topics.site: site for site in sites}
        self._messages = sorted(
            (one for site in sites for one in site.messages), key=lambda one: one.at_s
        )
        self._standing: dict[str, Sent] = {}
        self._newest: dict[str, int] = {}
        self._lock = threading.Lock()
        self._halt = threading.Event()
        self.asked = 0
        self.said_at_s: dict[bytes, float] = {}
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="boards", protocol=paho.MQTTv5
        )
        self._client.max_inflight_messages_set(100)
        self._client.max_queued_messages_set(0)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = self._connected
        self._client.on_message = self._commanded
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 3600
        self._client.connect("127.0.0.1", port, 10, clean_start=False, properties=properties)
        self._client.loop_start()

    def _connected(self, client: Any, *_: Any) -> None:
        client.subscribe("canister/+/commands", qos=1)
        threading.Thread(target=self._show_again, daemon=True).start()

    def _show_again(self) -> None:
        with self._lock:
            standing = list(self._standing.values())
        for one in standing:
            self._client.publish(one.topic, one.payload, 1, one.retain)

    def live(self, within_s: float) -> None:
        """Say everything, spread over some time."""
        began, count = time.monotonic(), len(self._messages)
        for number, one in enumerate(self._messages):
            self._say(one)
            ahead_s = within_s * number / count - (time.monotonic() - began)
            if ahead_s > 0.02:
                time.sleep(ahead_s)

    def _say(self, one: Sent) -> None:
        with self._lock:
            if one.retain:
                self._standing[one.topic] = one
            else:
                body = json.loads(one.payload)
                self._newest[body["site"]] = body["sequence"]
        self.said_at_s[one.payload] = time.monotonic()
        self._client.publish(one.topic, one.payload, 1, one.retain)

    def go_on(self) -> None:
        """Give signs of life until stopped, as boards do."""
        while not self._halt.wait(_SHOWN_AGAIN_EVERY_S):
            self._show_again()

    def _commanded(self, client: Any, _data: Any, message: Any) -> None:
        site = self._sites[message.topic.split("/")[1]]
        order = json.loads(message.payload)
        assert order["order"] == "resend", order
        self.asked += 1
        newest = self._newest.get(site.topics.site, 0)
        numbers = range(order["first"], min(order["last"], newest) + 1)
        for number in numbers:
            client.publish(site.topics.events, site.events[number], 1)
        wanted = order["last"] - order["first"] + 1
        answer = {
            "format": 1, "time": "2026-01-01T00:00:00.000Z", "order": "resend", "filter": None,
            "accepted": True, "answer": f"done: {len(numbers)} of {wanted} events sent again",
            "journal": site.journal, "missing": [],
        }  # fmt: skip
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.CorrelationData = message.properties.CorrelationData
        topic = message.properties.ResponseTopic
        client.publish(topic, msgspec.json.encode(answer), 1, False, properties)

    def stop(self) -> None:
        self._halt.set()
        self._client.disconnect()
        self._client.loop_stop()


class Workers:
    """Processes of the hub; one that was killed is started again."""

    def __init__(self, config: Path, folder: Path) -> None:
        self._config, self._folder = config, folder
        self.running: dict[int, subprocess.Popen[bytes]] = {}
        self.kills = 0

    def start(self, number: int) -> None:
        log = (self._folder / f"worker-{number}.log").open("ab")
        self.running[number] = subprocess.Popen(
            [sys.executable, "-m", "monitor", "hub", "run", "--number", str(number), "--config", str(self._config)],
            cwd=_ROOT, stdout=log, stderr=log, env={**os.environ, "PYTHONPATH": str(_ROOT)},
        )  # fmt: skip
        log.close()

    def kill(self, number: int) -> None:
        self.running[number].kill()
        self.running[number].wait()
        self.kills += 1

    def stop(self) -> list[int]:
        for one in self.running.values():
            one.terminate()
        return [one.wait(30) for one in self.running.values()]

    def log(self) -> str:
        return "".join(f.read_text() for f in self._folder.glob("worker-*.log"))


class Scene:
    """Broker, Redis, time series, people and workers of one run."""

    def __init__(self, folder: Path, count: int, days: float, seed: int) -> None:
        for name in ("broker", "redis", "metrics"):
            (folder / name).mkdir()
        self.broker = Mosquitto(folder / "broker", BROKER)
        self.redis = RealRedis(folder / "redis")
        self.metrics = VictoriaMetrics(folder / "metrics")
        for server in (self.broker, self.redis, self.metrics):
            server.start()
        self.phone = Phone()
        addresses = folder / "addresses"
        addresses.write_text(f"json://127.0.0.1:{self.phone.port}\n", encoding="utf-8")
        addresses.chmod(0o600)
        more = (
            f'[influx]\nurl = "{self.metrics.url}"\nkind = "victoriametrics"\n'
            f'[notify]\naddresses_file = "{addresses}"\n'
            # The simulated sites give no sign of life between their messages.
            "[watch]\ngather_s = 1\nsilent_after_beats = 100\nskew_s = 1e9\n"
        )
        self.workers = Workers(configuration(folder, self.broker, self.redis, more), folder)
        self.books = folder / "books" / BOOKS
        began = time.time() - (days + 1.0) * 86400.0
        self.sites = [Site(f"site_{n}", seed + n, days, began_utc_s=began) for n in range(count)]
        # When states may be lost for the history: with what waits at the broker or in Redis.
        self.gaps: list[tuple[float, float]] = []
        self.state = State(self.redis.link(), "fleet", 16)

    def close(self) -> None:
        self.phone.stop()
        for server in (self.broker, self.redis, self.metrics):
            server.kill()


def chaos(scene: Scene, seed: int, faults: int, within_s: float) -> Counter[str]:
    """Bring about so many faults within some time; each is over before the next begins."""
    rng, done = random.Random(seed), Counter[str]()
    kinds: dict[str, Callable[[], None]] = {
        "worker killed": lambda: _worker(scene, rng),
        "redis killed": lambda: _bounce(scene.redis, rng),
        "redis emptied": lambda: _flush(scene),
        "broker killed": lambda: _bounce(scene.broker, rng),
    }
    # Each at least once, workers most often.
    plan = [*kinds, *rng.choices(list(kinds), weights=(6, 1, 1, 1), k=max(0, faults - 4))]
    rng.shuffle(plan)
    for kind in plan:
        time.sleep(within_s / len(plan) * rng.uniform(0.5, 1.0))
        began = time.monotonic()
        kinds[kind]()
        if kind in ("broker killed", "redis emptied"):
            scene.gaps.append((began - _WAITS_AT_MOST_S, time.monotonic() + _BACK_WITHIN_S))
        done[kind] += 1
    return done


def _worker(scene: Scene, rng: random.Random) -> None:
    number = rng.choice(list(scene.workers.running))
    scene.workers.kill(number)
    time.sleep(rng.uniform(0.0, 1.0))
    scene.workers.start(number)


def _bounce(server: Any, rng: random.Random) -> None:
    server.kill()
    time.sleep(rng.uniform(0.2, 2.0))
    server.start()


def _flush(scene: Scene) -> None:
    scene.redis.link().flushall()


def measure(
    sites: int = 200, days: float = 10.0, faults: int = 24, within_s: float = 120.0, seed: int = 1
) -> list[Row]:
    """Live through it and judge the end."""
    with tempfile.TemporaryDirectory() as name:
        scene = Scene(Path(name), sites, days, seed)
        try:
            return _run(scene, faults, within_s, seed)
        finally:
            for one in scene.workers.running.values():
                one.kill()
            scene.close()


def _run(scene: Scene, faults: int, within_s: float, seed: int) -> list[Row]:
    wanted, told = expected(scene.sites)
    for number in range(1, WORKERS + 1):
        scene.workers.start(number)
    _until_filled(scene.state)
    boards = Boards(scene.broker.port, scene.sites)
    living = threading.Thread(target=boards.live, args=(within_s,), daemon=True)
    living.start()
    done = chaos(scene, seed, faults, within_s)
    living.join()
    threading.Thread(target=boards.go_on, daemon=True).start()
    began = time.monotonic()
    left = _settled(scene, wanted, told)
    took_s = time.monotonic() - began
    boards.stop()
    codes = scene.workers.stop()
    count = sum(len(site.messages) for site in scene.sites)
    happened = ", ".join(f"{number} × {kind}" for kind, number in sorted(done.items()))
    log = scene.workers.log()
    return [
        Row("fleet: " + happened, f"{count} messages of {len(scene.sites)} sites, {boards.asked} questions for missed events", "-", True),
        Row("fleet: memory against the plain fold", f"{len(left)} differences after {took_s:.0f} s{': ' + left[0] if left else ''}", "none", not left),
        *telling(_said(scene), scene.phone.lines(), told),
        *history(scene.metrics, scene.sites, boards.said_at_s, scene.gaps),
        Row("fleet: workers", f"exit codes {codes}, {log.count('Traceback')} tracebacks", "0, none", codes == [0] * WORKERS and "Traceback" not in log),
    ]  # fmt: skip


def _until_filled(state: State) -> None:
    """Wait for the workers: what is said before anybody has subscribed is for nobody."""
    until = time.monotonic() + _CONVERGED_WITHIN_S
    while state.epoch() is None:
        assert time.monotonic() < until, "no worker has filled the memory"
        time.sleep(0.1)
    time.sleep(1.0)


def _settled(scene: Scene, wanted: Memory, told: dict[str, str]) -> list[str]:
    until = time.monotonic() + _CONVERGED_WITHIN_S
    left = ["never asked"]
    while time.monotonic() < until:
        time.sleep(2.0)
        try:
            left = differences(scene.state, wanted)
            waiting = scene.state.rows_waiting()
        except StateError:
            continue
        if not left and not waiting and set(told) <= _said(scene):
            return []
    return left


def _said(scene: Scene) -> set[str]:
    with sqlite3.connect(f"file:{scene.books}?mode=ro", uri=True) as link:
        rows = link.execute("SELECT id FROM told WHERE said_utc_s IS NOT NULL").fetchall()
    return {str(row[0]) for row in rows}
