"""From publish to the state in Redis while one worker has half the load that it can take."""

from __future__ import annotations

import random
import socket
import statistics
import threading
import time

import msgspec

from tests.bench.figure import Figure
from tests.bench.hub_load import Workers, backlog, end_session, fresh
from tests.support.raw_mqtt import connect, packets, publish
from tests.support.real_redis import RealRedis
from tests.support.sites import Sent, Site

PROBES = 1000
TARGET_S = 0.25
_TICK_S = 0.01
_WITHIN_S = 10.0


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
        while part := self._link.recv(65536):
            buffer += part
            self.acknowledged += sum(kind == 0x40 for kind, _ in packets(buffer))

    def run(self) -> None:
        """Send a little every tick, whatever the ticks' own delays."""
        began, at = time.perf_counter(), 0
        while not self._halt.wait(_TICK_S):
            due = int((time.perf_counter() - began) * self._per_s)
            part = self._packets[at : at + due - self.sent]
            at = (at + len(part)) % len(self._packets)
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
        self._link.close()


def latency(port: int, redis: RealRedis, per_s: float) -> Figure:
    """Signs of life of one site among the load, each waited for in Redis."""
    link = redis.link()
    state = fresh(link)
    site = Site("probe", 1, 0.25)
    (beat,) = [m for m in site.messages if m.topic == site.topics.heartbeat][-1:]
    fields = msgspec.json.decode(beat.payload)
    key, field = f"{state.base_of('probe')}site:probe", f"{fields['journal']}/beat"
    rng, took = random.Random(1), []
    with Workers(port, redis.url, "hub", ["late_1"]) as workers:
        workers.go()
        load = Load(port, per_s, backlog(30_000))
        load.start()
        time.sleep(3)
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
        load.stop()
    end_session(port, "late_1")
    p99 = statistics.quantiles(took, n=100)[98]
    return Figure(
        f"publish to state at half load ({per_s:,.0f}/s), {PROBES} probes",
        f"median {statistics.median(took) * 1e3:.0f} ms, p99 {p99 * 1e3:.0f} ms, worst {max(took) * 1e3:.0f} ms",
        "-", "-", f"p99 {TARGET_S * 1e3:.0f} ms", p99 <= TARGET_S,
    )  # fmt: skip
