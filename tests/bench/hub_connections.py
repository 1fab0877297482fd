"""What the broker uses of the processor for a message as more and more boards are connected.

The same number of messages a second, from one connection after the other, to one worker that stores them.
Each size has a broker of its own, since one keeps memory that it once had.
"""

from __future__ import annotations

import asyncio
import functools
import resource
import tempfile
import time
from pathlib import Path

from tests.bench.figure import Figure
from tests.bench.hub_latency import cpu_s
from tests.bench.hub_load import Workers, fresh
from tests.conftest import Mosquitto
from tests.support.raw_mqtt import CONNACK, connect, packets, publish
from tests.support.real_redis import RealRedis
from tests.support.sites import Site

SIZES = (100, 5000, 18_000)
PER_S = 3000.0
SECONDS = 10.0
CONF = "autosave_on_changes false\nautosave_interval 600\nmax_inflight_messages 0\nmax_queued_messages 200000\n"
_AT_ONCE = 500
_SPARE_FILES = 500
_TICK_S = 0.01
_ANSWERS_WITHIN_S = 20.0


class _Board(asyncio.Protocol):
    """Says hello and afterwards only what it is told to."""

    def __init__(self, number: int) -> None:
        site = Site(f"many_{number}", number, 0.01, filters=1)
        said = next(m for m in site.messages if m.topic == site.topics.state("tank_0"))
        self._topic, self._payload = said.topic, said.payload
        self._hello = connect(site.topics.site, site.topics.presence, b"")
        self._buffer = bytearray()
        self._sent = 0
        self.greeted = asyncio.get_running_loop().create_future()
        self.transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        transport.write(self._hello)

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        if CONNACK in [kind for kind, _ in packets(self._buffer)]:
            self.greeted.set_result(True)

    def connection_lost(self, error: Exception | None) -> None:
        if not self.greeted.done():
            self.greeted.set_exception(error or ConnectionResetError("turned away"))

    def say(self) -> None:
        """Send the state of its filter once more."""
        self._sent += 1
        self.transport.write(publish(self._topic, self._payload, True, 1 + self._sent % 65000))


def measure() -> list[Figure]:
    """One figure for each size that this machine has open files for."""
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    return [_figure(size) for size in SIZES if size + _SPARE_FILES <= hard]


def _figure(size: int) -> Figure:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "redis").mkdir()
        broker, redis = Mosquitto(folder, CONF), RealRedis(folder / "redis")
        broker.start()
        redis.start()
        try:
            with Workers(broker.port, redis.url, "hub", ["worker"]) as workers:
                fresh(redis.link())
                workers.go()
                sent, taken, used_s = asyncio.run(_loaded(broker, size, workers))
        finally:
            broker.kill()
            redis.kill()
    return Figure(
        f"broker with {size:,} boards, {sent / SECONDS:,.0f} messages a second, {sent - taken} lost",
        f"{1e6 * used_s / sent:.0f} µs of its processor a message", "-", "-", "none lost", sent == taken,
    )  # fmt: skip


async def _loaded(broker: Mosquitto, size: int, workers: Workers) -> tuple[int, int, float]:
    """Messages sent, messages stored, seconds of the broker's processor; all boards connected."""
    assert broker.process is not None
    loop = asyncio.get_running_loop()
    boards: list[_Board] = []
    for start in range(0, size, _AT_ONCE):
        made = [
            loop.create_connection(functools.partial(_Board, n), "127.0.0.1", broker.port)
            for n in range(start, min(size, start + _AT_ONCE))
        ]
        found = [board for _, board in await asyncio.gather(*made)]
        await asyncio.wait_for(asyncio.gather(*(board.greeted for board in found)), 30)
        boards += found
    before_s, began_s, sent = cpu_s(broker.process.pid), time.perf_counter(), 0
    while (passed_s := time.perf_counter() - began_s) < SECONDS:
        for number in range(sent, int(passed_s * PER_S)):
            boards[number % size].say()
            sent += 1
        await asyncio.sleep(_TICK_S)
    used_s = cpu_s(broker.process.pid) - before_s
    until_s = time.perf_counter() + _ANSWERS_WITHIN_S
    while workers.taken < sent and time.perf_counter() < until_s:
        await asyncio.sleep(0.05)
    taken = workers.taken  # now, since their wills come once they are gone
    for board in boards:
        board.transport.abort()
    return sent, taken, used_s
