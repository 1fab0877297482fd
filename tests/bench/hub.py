"""The hub's speed: messages through workers with their effects stored, latency, memory, a returning crowd.

A backlog of the same messages, made by the program's own payloads, waits at the broker in the session of
who is to read it; timed is from the word to go until the last is stored (workers) or read (bare paho).
The reference reads as the workers do: MQTT 5, QoS 1, as many in flight, JSON decoded, acknowledged by
hand; it stores nothing. Broker, Redis, workers and reference share the machine's cores. The three run in
turn three times; the median of the ratios counts.
"""

from __future__ import annotations

import statistics
import tempfile
from pathlib import Path

from tests.bench.figure import Figure
from tests.bench.hub_fill import fill
from tests.bench.hub_herd import herd
from tests.bench.hub_latency import latency
from tests.bench.hub_load import (
    Bare,
    Workers,
    backlog,
    begin_session,
    end_session,
    fresh,
    lost,
    publish,
    wanted,
)
from tests.bench.hub_memory import memory
from tests.conftest import Mosquitto
from tests.support.real_redis import RealRedis

MESSAGES = 40_000
ROUNDS = 3
RATIO = 0.5
CONF = (
    "autosave_on_changes false\nautosave_interval 600\nmax_inflight_messages 0\n"
    "max_queued_messages 1000000\nmax_queued_bytes 2000000000\n"
)


def measure() -> list[Figure]:
    """Measure all; latency at half of what one worker just did."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        (folder / "redis").mkdir()
        broker, redis = Mosquitto(folder / "broker", CONF), RealRedis(folder / "redis")
        broker.start()
        redis.start()
        try:
            figures, rate = _throughput(broker.port, redis)
            figures += latency(broker, redis, rate / 2)
            figures.append(memory(redis))
            figures += herd(broker, redis)
            figures.append(fill(broker.port, redis))
        finally:
            broker.kill()
            redis.kill()
    return figures


def _throughput(port: int, redis: RealRedis) -> tuple[list[Figure], float]:
    """One worker against bare paho, two against one; the rate of one."""
    messages = backlog(MESSAGES)
    memory_wanted = wanted(messages)
    readers = {"one": ["one_1"], "two": ["two_1", "two_2"]}
    begin_session(port, "bare")
    for share, names in readers.items():
        for worker in names:
            begin_session(port, worker, f"$share/{share}/")
    rates: dict[str, list[float]] = {"bare": [], "one": [], "two": []}
    missing = 0
    for _ in range(ROUNDS):
        publish(port, messages)
        rates["bare"].append(MESSAGES / Bare(port, MESSAGES).took_s())
        for share, names in readers.items():
            state = fresh(redis.link())
            with Workers(port, redis.url, share, names) as workers:
                rates[share].append(MESSAGES / workers.took_s(MESSAGES))
            missing += lost(state, memory_wanted)
    for worker in ("bare", *readers["one"], *readers["two"]):
        end_session(port, worker)
    median = {name: statistics.median(found) for name, found in rates.items()}
    ratio = statistics.median(a / b for a, b in zip(rates["one"], rates["bare"], strict=True))
    both = statistics.median(a / b for a, b in zip(rates["two"], rates["one"], strict=True))
    return [
        Figure(
            f"one worker: {MESSAGES:,} messages, effects and history lines stored, {missing} lost",
            f"{median['one']:,.0f}/s", f"{median['bare']:,.0f}/s (bare paho, same payloads)",
            f"{ratio:.2f}", f"{RATIO:g}, none lost", ratio >= RATIO and not missing,
        ),
        Figure(
            "two workers against one, broker and Redis on the same two cores",
            f"{median['two']:,.0f}/s", f"{median['one']:,.0f}/s (one worker)", f"{both:.2f}", "-", True,
        ),
    ], median["one"]  # fmt: skip
