"""How long a worker takes to fill a lost memory from what stands at the broker."""

from __future__ import annotations

import time

from monitor.hub.state import State
from tests.bench.figure import Figure
from tests.bench.hub_load import GIVE_UP_S, Workers, end_session, lost, publish, wanted
from tests.support.real_redis import RealRedis
from tests.support.sites import Site

SITES = 5000


def fill(port: int, redis: RealRedis) -> Figure:
    """Everything that some sites have retained, judged by the plain fold over it."""
    standing = {
        sent.topic: sent
        for number in range(SITES)
        for sent in Site(f"still_{number}", number, 0.5).messages
        if sent.retain
    }
    publish(port, list(standing.values()), keep=True)
    memory = wanted(list(standing.values()))
    link = redis.link()
    link.flushall()
    state = State(link, "fleet", 16)
    with Workers(port, redis.url, "hub", ["fill_1"]) as workers:
        began = time.perf_counter()
        workers.go()
        while state.epoch() is None and time.perf_counter() - began < GIVE_UP_S:
            time.sleep(0.05)
        took_s = time.perf_counter() - began
        missing, count = lost(state, memory), workers.taken
    end_session(port, "fill_1")
    return Figure(
        f"a lost memory filled from {count:,} retained messages, 2 × {SITES:,} sites",
        f"{took_s:.0f} s, {missing} registers missing", "-", "-", "none missing", not missing,
    )  # fmt: skip
