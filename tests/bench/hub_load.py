"""What the hub's benches share: a backlog of messages, who reads it, and whether all was stored."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
import redis
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.fleet.fold import Memory, effects
from monitor.fleet.messages import filters, read
from monitor.hub.broker import IN_FLIGHT, Broker, Reader
from monitor.hub.state import State
from tests.support.sites import Sent, Site

SHARDS = 16
_ROOT = Path(__file__).resolve().parents[2]
_EXPIRY_S = 600
GIVE_UP_S = 240.0
# A worker as `canister hub run` has it, history lines too, without its threads for people and servers.
_WORKER = """
import sys, threading, time
from monitor.app.fleet.lines import lines_of
from monitor.hub.broker import Broker
from monitor.hub.redis_link import connect
from monitor.hub.state import State
from monitor.hub.worker import Options, Worker
port, url, share, name = int(sys.argv[1]), *sys.argv[2:]
state = State(connect(url, None, None), "fleet", 16)
worker = Worker(Options(name, share=share, expiry_s=600), lambda: Broker("127.0.0.1", port), state, lines_of("canister", True))
def tell():
    told = 0
    while True:
        time.sleep(0.01)
        if worker.taken != told:
            told = worker.taken
            print(told, flush=True)
print("ready", flush=True)
sys.stdin.readline()
threading.Thread(target=tell, daemon=True).start()
threading.Thread(target=lambda: (sys.stdin.read(), worker.stop()), daemon=True).start()
worker.run()
"""


def backlog(count: int) -> list[Sent]:
    """Messages of many sites, mixed as they would come, made by the program's own payloads."""
    found: list[Sent] = []
    number = 0
    while len(found) < count:
        found += Site(f"site_{number}", number, 10, 3 * 3600.0).messages
        number += 1
    found.sort(key=lambda one: one.at_s)
    return found[:count]


def wanted(messages: Sequence[Sent]) -> Memory:
    """The memory of a plain fold over them."""
    made = Memory()
    for sent in messages:
        site, message = read(sent.topic, sent.payload, "canister")
        for effect in effects(site, message, 0.0, False):
            made.apply(effect)
    return made


def lost(state: State, memory: Memory) -> int:
    """How many registers and events of a fold Redis does not have."""
    sites = list(memory.registers)
    missing = 0
    for site, fields in zip(sites, state.many_registers(sites), strict=True):
        missing += sum(fields.get(k) != v for k, v in memory.registers[site].items())
    for (site, journal), numbers in memory.seen.items():
        missing += len(numbers - state.seen(site, journal))
    return missing


def begin_session(port: int, name: str, share: str = "") -> None:
    """Subscribe once and go, so that the broker keeps what comes."""
    reader = Reader(Broker("127.0.0.1", port), name, _EXPIRY_S)
    reader.open()
    reader.subscribe([f"{share}{f}" for f in filters("canister")])
    reader.close()


def end_session(port: int, name: str) -> None:
    """Let the broker keep nothing more under this name."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5)
    there = threading.Event()
    client.on_connect = lambda *_: there.set()
    client.connect("127.0.0.1", port, 60, clean_start=True)
    client.loop_start()
    there.wait(10)
    client.disconnect()
    client.loop_stop()


def publish(port: int, messages: Sequence[Sent], keep: bool = False) -> None:
    """Publish at QoS 1 and wait until the broker has all."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages_set(500)
    client.max_queued_messages_set(0)
    done = threading.Semaphore(0)
    client.on_publish = lambda *_: done.release()
    client.connect("127.0.0.1", port, 60)
    client.loop_start()
    for one in messages:
        client.publish(one.topic, one.payload, 1, keep and one.retain)
    for _ in messages:
        done.acquire()
    client.disconnect()
    client.loop_stop()


class Bare:
    """Bare paho on what waits in its session: decodes the JSON, acknowledges, and does nothing else."""

    def __init__(self, port: int, count: int) -> None:
        self._port, self._count = port, count
        self._came = 0
        self._done = threading.Event()

    def took_s(self) -> float:
        """Seconds from connecting to the last message."""
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="bare", protocol=paho.MQTTv5, manual_ack=True
        )
        client.on_message = self._message
        client.max_inflight_messages_set(IN_FLIGHT)
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = _EXPIRY_S
        properties.ReceiveMaximum = IN_FLIGHT
        began = time.perf_counter()
        client.connect("127.0.0.1", self._port, 60, clean_start=False, properties=properties)
        client.loop_start()
        if not self._done.wait(GIVE_UP_S):
            raise RuntimeError(f"bare paho got {self._came} of {self._count}")
        took_s = time.perf_counter() - began
        client.disconnect()
        client.loop_stop()
        return took_s

    def _message(self, client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        msgspec.json.decode(message.payload)
        client.ack(message.mid, message.qos)
        self._came += 1
        if self._came >= self._count:
            self._done.set()


class Workers:
    """Worker processes that wait for a word; a context manager."""

    def __init__(self, port: int, url: str, share: str, names: Sequence[str]) -> None:
        self.running = [
            subprocess.Popen(
                [sys.executable, "-c", _WORKER, str(port), url, share, name], cwd=_ROOT,
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            )
            for name in names
        ]  # fmt: skip
        self._taken = [0] * len(names)
        for one in self.running:
            assert one.stdout is not None
            assert one.stdout.readline() == "ready\n"
        self._followers = [
            threading.Thread(target=self._follow, args=(n,), daemon=True) for n in range(len(names))
        ]
        for follower in self._followers:
            follower.start()

    def _follow(self, number: int) -> None:
        out = self.running[number].stdout
        assert out is not None
        with out:
            for text in out:
                self._taken[number] = int(text)

    @property
    def taken(self) -> int:
        """How many messages they have stored, together."""
        return sum(self._taken)

    def go(self) -> None:
        """Let them connect and work."""
        for one in self.running:
            assert one.stdin is not None
            one.stdin.write("go\n")
            one.stdin.flush()

    def took_s(self, count: int) -> float:
        """Seconds from the word until so many messages are stored."""
        began = time.perf_counter()
        self.go()
        while self.taken < count:
            if time.perf_counter() - began > GIVE_UP_S:
                raise RuntimeError(f"workers stored {self.taken} of {count}")
            time.sleep(0.005)
        return time.perf_counter() - began

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, *_error: object) -> None:
        for one in self.running:
            assert one.stdin is not None
            one.stdin.close()
        for one in self.running:
            try:
                one.wait(30)
            except subprocess.TimeoutExpired:
                one.kill()
                one.wait()
        for follower in self._followers:
            follower.join(10)


def fresh(link: redis.Redis) -> State:
    """An empty memory that is marked as filled, so that nobody fills it."""
    link.flushall()
    state = State(link, "fleet", SHARDS)
    state.begin_fill("bench")
    assert state.end_fill("bench")
    return state
