"""A crowd that comes back at once, as after a power cut of a town: 5,000 connections, nothing lost."""

from __future__ import annotations

import asyncio
import contextlib
import random
import resource
import time
from collections.abc import Callable

from tests.bench.figure import Figure
from tests.bench.hub_load import Workers, fresh, lost, wanted
from tests.conftest import Mosquitto
from tests.support.raw_mqtt import CONNACK, PUBACK, connect, packets, publish
from tests.support.real_redis import RealRedis
from tests.support.sites import Sent, Site

SITES = 5000
_WITHIN_S = 180.0
_ANSWER_WITHIN_S = 30.0


class Board:
    """One connection that shows what stands at QoS 1 and tries again until all is acknowledged."""

    def __init__(self, number: int) -> None:
        site = Site(f"crowd_{number}", number, 0.2)
        newest: dict[str, Sent] = {}
        for sent in site.messages:
            if sent.retain and "/alarms/" not in sent.topic:
                newest[sent.topic] = sent
        self.messages = list(newest.values())
        presence = newest[site.topics.presence]
        lost_words = presence.payload.replace(b'"online"', b'"lost"')
        self._hello = connect(site.topics.site, site.topics.presence, lost_words)
        self._all = b"".join(
            publish(m.topic, m.payload, True, n) for n, m in enumerate(self.messages, 1)
        )
        self._rng = random.Random(number)
        self.tries = 0
        self.writer: asyncio.StreamWriter | None = None

    async def come_back(self, port: int) -> None:
        """Connect and publish, again after a failure with some jitter, as boards do."""
        while True:
            self.tries += 1
            with contextlib.suppress(OSError, asyncio.IncompleteReadError, TimeoutError):
                async with asyncio.timeout(_ANSWER_WITHIN_S):
                    await self._once(port)
                    return
            if self.writer is not None:
                self.writer.transport.abort()
            await asyncio.sleep(self._rng.uniform(0.5, 2.0))

    async def _once(self, port: int) -> None:
        reader, self.writer = await asyncio.open_connection("127.0.0.1", port)
        self.writer.write(self._hello)
        buffer, acknowledged = bytearray(), 0
        while acknowledged < len(self.messages):
            part = await reader.read(4096)
            if not part:
                raise ConnectionResetError
            buffer += part
            for kind, _ in packets(buffer):
                if kind == CONNACK:
                    self.writer.write(self._all)
                acknowledged += kind == PUBACK


def herd(broker: Mosquitto, redis: RealRedis) -> Figure:
    """All boards at once against one worker, until everything is in Redis."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted_files = 2 * SITES
    if soft < wanted_files:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(wanted_files, hard), hard))
    broker.stop()
    broker.start()  # under the raised limit
    boards = [Board(number) for number in range(SITES)]
    memory = wanted([m for board in boards for m in board.messages])
    state = fresh(redis.link())
    count = sum(len(board.messages) for board in boards)
    with Workers(broker.port, redis.url, "hub", ["herd_1"]) as workers:
        workers.go()
        time.sleep(2)

        def stored() -> None:
            until = time.monotonic() + _WITHIN_S
            while time.monotonic() < until and workers.taken < count:
                time.sleep(0.02)

        published_s, took_s = asyncio.run(_all_at_once(broker.port, boards, stored))
    missing, heard = lost(state, memory), sum(t > 0 for t in state.heard().values())
    again = sum(board.tries - 1 for board in boards)
    return Figure(
        f"{SITES:,} boards back at once, {count:,} messages, {again} connections tried again",
        f"{took_s:.1f} s to the state, {missing} registers lost, {heard:,} heard",
        f"{published_s:.1f} s until the broker had all", "-", "none lost",
        not missing and heard == SITES,
    )  # fmt: skip


async def _all_at_once(
    port: int, boards: list[Board], stored: Callable[[], None]
) -> tuple[float, float]:
    """Seconds until all was acknowledged, and until all is stored; the connections stay open for it."""
    began = time.perf_counter()
    await asyncio.gather(*(board.come_back(port) for board in boards))
    published_s = time.perf_counter() - began
    await asyncio.to_thread(stored)
    return published_s, time.perf_counter() - began
