"""From publish to the state in Redis while one worker has half the load that it can take.

Beside it, what of the processors each part used for a message: with a core of its own, a part does as many
as fit into a second. The load is one publisher's and no message comes twice.
"""

from __future__ import annotations

import contextlib
import os
import random
import socket
import statistics
import threading
import time
from pathlib import Path

import msgspec

from monitor.hub.state import State
from tests.bench.figure import Figure
from tests.bench.hub_load import Workers, backlog, begin_session, end_session, fresh
from tests.conftest import Mosquitto
from tests.support.raw_mqtt import PUBACK, connect, packets, publish
from tests.support.real_redis import RealRedis
from tests.support.sites import Sent, Site

PROBES = 600
TARGET_S = 0.25
_TICK_S = 0.01
_WITHIN_S = 10.0
_LONGEST_S = 40.0


class Load(threading.Thread):
    """Publishes packets that lie ready, at a steady rate, over one connection."""

    def __init__(self, port: int, per_s: float, messages: list[Sent]) -> None:
        super().__init__(daemon=True)
        self._link = socket.create_connection(("127.0.0.1", port))
        self._link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._link.sendall(connect("load", "load/will", b""))
        self._packets = [
            publish(one.topic, one.payload, False, 1 + n % 65000) for n, one in enumerate(messages)
        ]
        self._per_s = per_s
        self._lock = threading.Lock()
        self._halt = threading.Event()
        self.sent = self.acknowledged = 0
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        buffer = bytearray()
        with contextlib.suppress(OSError):
            while part := self._link.recv(65536):
                buffer += part
                self.acknowledged += sum(kind == PUBACK for kind, _ in packets(buffer))

    def run(self) -> None:
        """Send a little every tick, whatever the ticks' own delays."""
        began = time.perf_counter()
        while not self._halt.wait(_TICK_S):
            due = int((time.perf_counter() - began) * self._per_s)
            part = self._packets[self.sent : due]
            with self._lock:
                self._link.sendall(b"".join(part))
            self.sent += len(part)

    def also(self, packet: bytes) -> None:
        """Send one packet more, behind what is under way."""
        with self._lock:
            self._link.sendall(packet)

    def stop(self) -> None:
        """End."""
        self._halt.set()
        self.join()
        self._link.shutdown(socket.SHUT_RDWR)
        self._link.close()


def cpu_s(pid: int | None) -> float:
    """Seconds of processor that a process has used, proc(5): its stat's fields 14 and 15."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def latency(broker: Mosquitto, redis: RealRedis, per_s: float) -> list[Figure]:
    """Signs of life of one site among the load, each waited for in Redis."""
    messages = backlog(int(per_s * _LONGEST_S))
    begin_session(broker.port, "late_1", "$share/hub/")
    load = Load(broker.port, per_s, messages)
    with Workers(broker.port, redis.url, "hub", ["late_1"]) as workers:
        state = fresh(redis.link())
        workers.go()
        time.sleep(2)
        assert broker.process is not None
        assert redis.process is not None
        pids = {"worker": workers.running[0].pid, "broker": broker.process.pid, "Redis": redis.process.pid}  # fmt: skip
        before, began = {name: cpu_s(pid) for name, pid in pids.items()}, time.perf_counter()
        load.start()
        took = _probes(redis, state, load)
        load.stop()
        passed_s = time.perf_counter() - began
        used_s = {name: cpu_s(pid) - before[name] for name, pid in pids.items()}
    end_session(broker.port, "late_1")
    if load.sent == len(messages):
        raise RuntimeError("the load ended before the probes")
    p99 = statistics.quantiles(took, n=100)[98]
    cost = ", ".join(f"{name} {1e6 * s / load.sent:.0f} µs" for name, s in used_s.items())
    return [
        Figure(
            f"publish to state at half load ({load.sent / passed_s:,.0f}/s), {PROBES} probes",
            f"median {statistics.median(took) * 1e3:.0f} ms, p99 {p99 * 1e3:.0f} ms, worst {max(took) * 1e3:.0f} ms",
            "-", "-", f"p99 {TARGET_S * 1e3:.0f} ms", p99 <= TARGET_S,
        ),
        Figure("processor for a message under this load", cost, "-", "-", "-", True),
    ]  # fmt: skip


def _probes(redis: RealRedis, state: State, load: Load) -> list[float]:
    """Seconds from publish to Redis of each probe."""
    link, rng, took = redis.link(), random.Random(1), []
    site = Site("probe", 1, 0.25)
    beat = [m for m in site.messages if m.topic == site.topics.heartbeat][-1]
    fields = msgspec.json.decode(beat.payload)
    key, field = f"{state.base_of('probe')}site:probe", f"{fields['journal']}/beat"
    for number in range(PROBES):
        time.sleep(rng.uniform(0.005, 0.035))
        line_s = 1e6 + number
        body = msgspec.json.encode(fields | {"line_s": line_s})
        wanted = f"{line_s:016.3f}|".encode()
        began = time.perf_counter()
        load.also(publish(beat.topic, body, False, 65001 + number % 500))
        while not (link.hget(key, field) or b"").startswith(wanted):  # type: ignore[union-attr]
            if time.perf_counter() - began > _WITHIN_S:
                raise RuntimeError(f"probe {number} is not in Redis after {_WITHIN_S:.0f} s")
            time.sleep(0.0005)
        took.append(time.perf_counter() - began)
    return took
