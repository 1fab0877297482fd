"""A crowd that comes back at once, as after a power cut of a town: 5,000 connections, nothing lost."""

from __future__ import annotations

import asyncio
import contextlib
import random
import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from tests.bench.figure import Figure
from tests.bench.hub_load import Workers, begin_session, end_session, fresh, lost, wanted
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


def herd(broker: Mosquitto, redis: RealRedis, sites: int = SITES) -> list[Figure]:
    """All boards at once against one worker, until everything is in Redis."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < 2 * sites:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(2 * sites, hard), hard))
    broker.stop()
    broker.start()  # under the raised limit
    begin_session(broker.port, "herd_1", "$share/hub/")
    boards = [Board(number) for number in range(sites)]
    memory = wanted([m for board in boards for m in board.messages])
    state = fresh(redis.link())
    with Workers(broker.port, redis.url, "hub", ["herd_1"]) as workers:
        workers.go()
        time.sleep(2)
        before = _resident_bytes(broker)
        came = asyncio.run(_all_at_once(broker, boards, workers, lambda: lost(state, memory)))
    end_session(broker.port, "herd_1")
    heard = sum(at_s > 0 for at_s in state.heard().values())
    again = sum(board.tries - 1 for board in boards)
    return [
        Figure(
            f"{sites:,} boards back at once, {came.count:,} messages, {again} connections tried again",
            f"{came.stored_s:.1f} s to the state, {came.missing} registers lost, {heard:,} heard",
            f"{came.published_s:.1f} s until the broker had all", "-", "none lost",
            not came.missing and heard == sites,
        ),
        Figure(
            "broker's memory for a connected board and what stands of it",
            f"{(came.broker_bytes - before) / sites / 1e3:.0f} KB", "-", "-", "-", True,
        ),
    ]  # fmt: skip


def _resident_bytes(broker: Mosquitto) -> int:
    """Memory of its process, proc(5)."""
    assert broker.process is not None
    pages = Path(f"/proc/{broker.process.pid}/statm").read_text(encoding="ascii").split()[1]
    return int(pages) * resource.getpagesize()


class Returned(NamedTuple):
    """How many messages there were; seconds until all was acknowledged and all stored; what was lost."""

    count: int
    published_s: float
    stored_s: float
    missing: int
    broker_bytes: int


async def _all_at_once(
    broker: Mosquitto, boards: list[Board], workers: Workers, missing: Callable[[], int]
) -> Returned:
    """Let all come back and judge while they are connected: afterwards their wills speak."""
    began = time.perf_counter()
    await asyncio.gather(*(board.come_back(broker.port) for board in boards))
    published_s = time.perf_counter() - began
    count = sum(len(board.messages) for board in boards)
    while time.perf_counter() - began < _WITHIN_S and workers.taken < count:
        await asyncio.sleep(0.02)
    stored_s = time.perf_counter() - began
    came = Returned(count, published_s, stored_s, missing(), _resident_bytes(broker))
    for board in boards:
        assert board.writer is not None
        board.writer.transport.abort()
    await asyncio.sleep(0.1)  # the transports close in the loop's next rounds
    return came
