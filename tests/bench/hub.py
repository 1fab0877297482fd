"""Messages through hub workers with their effects stored in Redis, against a bare paho subscriber.

A backlog of the same messages, of sites whose payloads are made by the program's own code, waits at the
broker in the session of who is to read it; timed is from the connection to the last acknowledgement.
The reference reads them as the workers do (MQTT 5, QoS 1, as many in flight), decodes the JSON and
acknowledges, and does nothing else. Broker, Redis, workers and reference share two cores.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.fleet.messages import filters
from monitor.hub.broker import IN_FLIGHT, Broker, Reader
from monitor.hub.state import State
from tests.bench.figure import Figure
from tests.conftest import Mosquitto
from tests.support.real_redis import RealRedis
from tests.support.sites import Sent, Site

MESSAGES = 40_000
RATIO = 0.5
_ROOT = Path(__file__).resolve().parents[2]
_CONF = "max_inflight_messages 0\nmax_queued_messages 0\nmax_queued_bytes 0\n"
_EXPIRY_S = 600
_GIVE_UP_S = 180.0
_WORKER = """
import sys, threading
from monitor.hub.broker import Broker
from monitor.hub.state import State, connect
from monitor.hub.worker import Options, Worker
port, redis_url, name = int(sys.argv[1]), sys.argv[2], sys.argv[3]
worker = Worker(Options(name, expiry_s=600), lambda: Broker("127.0.0.1", port), State(connect(redis_url, None, None), "fleet", 16))
threading.Thread(target=lambda: (sys.stdin.read(), worker.stop()), daemon=True).start()
worker.run()
print(worker.taken)
"""


def backlog(count: int) -> list[Sent]:
    """Messages of some sites, mixed as they would come."""
    found: list[Sent] = []
    number = 0
    while len(found) < count:
        found += Site(f"site_{number}", number, 40, 3600.0).messages
        number += 1
    found.sort(key=lambda one: one.at_s)
    return found[:count]


def publish(port: int, messages: Sequence[Sent]) -> None:
    """Publish at QoS 1, not retained, and wait until the broker has all."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages_set(500)
    client.max_queued_messages_set(0)
    done = threading.Semaphore(0)
    client.on_publish = lambda *_: done.release()
    client.connect("127.0.0.1", port, 60)
    client.loop_start()
    for one in messages:
        client.publish(one.topic, one.payload, 1)
    for _ in messages:
        done.acquire()
    client.disconnect()
    client.loop_stop()


def begin_session(port: int, name: str, shared: bool) -> None:
    """Subscribe once and go, so that the broker keeps what comes."""
    reader = Reader(Broker("127.0.0.1", port), name, _EXPIRY_S)
    reader.open()
    start = "$share/hub/" if shared else ""
    reader.subscribe([f"{start}{f}" for f in filters("canister")])
    reader.close()


def bare_s(port: int, count: int) -> float:
    """Seconds that bare paho takes to read, decode and acknowledge all."""
    came, done = [0], threading.Event()
    client = paho.Client(
        CallbackAPIVersion.VERSION2, client_id="bare", protocol=paho.MQTTv5, manual_ack=True
    )

    def on_message(_client: Any, _data: Any, message: Any) -> None:
        msgspec.json.decode(message.payload)
        client.ack(message.mid, message.qos)
        came[0] += 1
        if came[0] >= count:
            done.set()

    client.on_message = on_message
    client.max_inflight_messages_set(IN_FLIGHT)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = _EXPIRY_S
    properties.ReceiveMaximum = IN_FLIGHT
    began = time.perf_counter()
    client.connect("127.0.0.1", port, 60, clean_start=False, properties=properties)
    client.loop_start()
    if not done.wait(_GIVE_UP_S):
        raise RuntimeError(f"bare paho got {came[0]} of {count}")
    took_s = time.perf_counter() - began
    client.disconnect()
    client.loop_stop()
    return took_s


def workers_s(port: int, redis_server: RealRedis, names: Sequence[str], sites: dict[str, set[int]]) -> float:
    """Seconds that workers take until every event is stored and nothing waits at the broker."""
    link = redis_server.link()
    link.flushall()
    state = State(link, "fleet", 16)
    state.begin_epoch("bench")
    began = time.perf_counter()
    running = [
        subprocess.Popen(
            [sys.executable, "-c", _WORKER, str(port), redis_server.url, name],
            cwd=_ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        for name in names
    ]  # fmt: skip
    until = began + _GIVE_UP_S
    wanted = sum(len(numbers) for numbers in sites.values())
    while time.perf_counter() < until:
        found = sum(int(v) for base in state.bases() for k in link.scan_iter(f"{base}count:*") for v in link.hvals(k))
        if found >= wanted and not _waiting(port):
            break
        time.sleep(0.05)
    took_s = time.perf_counter() - began
    for one in running:
        one.communicate("")
    if found < wanted:
        raise RuntimeError(f"{found} of {wanted} events stored")
    return took_s
