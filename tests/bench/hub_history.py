"""Lines of history from Redis to a real VictoriaMetrics, against influxdb-client alone with the same lines.

A hub process does this beside its messages, in the same interpreter. So what it uses of the processor for a
line counts against how many messages the process can take. The reference is given the very lines, ready in
memory, and writes batches of the same size; it has no cursor. Both run three times in turn; the median of
the ratios counts.
"""

from __future__ import annotations

import statistics
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS

from monitor.app.fleet.history import History, Line
from monitor.app.fleet.lines import lines_of
from monitor.delivery.influx import InfluxSink, Server
from monitor.fleet.fold import Row
from monitor.fleet.messages import read
from monitor.hub.state import ROWS, State
from monitor.hub.streams import Stream
from tests.bench.figure import Figure
from tests.bench.hub_load import backlog, fresh
from tests.support.real_redis import RealRedis
from tests.support.timeseries import VictoriaMetrics, serving

LINES, BATCH, ROUNDS = 50_000, 5000, 3
_GIVE_UP_S = 120.0


def measure() -> list[Figure]:
    """Empty the streams into the server, and give it the same lines by the client alone."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "redis").mkdir()
        redis, server = RealRedis(folder / "redis"), VictoriaMetrics(folder)
        redis.start()
        try:
            with serving(server):
                rows = _rows()
                ours, alone, used_s = [], [], []
                for _ in range(ROUNDS):
                    alone.append(LINES / _alone_s(server.url, [row.line for row in rows]))
                    took_s, processor_s = _ours_s(redis, server.url, rows)
                    ours.append(LINES / took_s)
                    used_s.append(processor_s)
                invalid = server.invalid_rows()
        finally:
            redis.kill()
    ratio = statistics.median(a / b for a, b in zip(ours, alone, strict=True))
    return [
        Figure(
            f"history of a fleet, {LINES:,} lines from Redis, {invalid} refused",
            f"{statistics.median(ours):,.0f}/s, {1e6 * statistics.median(used_s) / LINES:.0f} µs of a worker's processor each",
            f"{statistics.median(alone):,.0f}/s (influxdb-client, synchronous, of ready lines)",
            f"{ratio:.2f}", "none refused", not invalid,
        )
    ]  # fmt: skip


def _rows() -> list[Row]:
    """Lines of many sites, made by the program's own code."""
    made, found = lines_of("canister", False), []
    for sent in backlog(3 * LINES):
        site, message = read(sent.topic, sent.payload, "canister")
        found += [Row(site, line) for line in made(site, message)]
        if len(found) >= LINES:
            return found[:LINES]
    raise RuntimeError(f"{len(found)} lines only")


def _ours_s(redis: RealRedis, url: str, rows: Sequence[Row]) -> tuple[float, float]:
    """Seconds until the server has all and nothing waits, and seconds of our processor meanwhile."""
    link = redis.link()
    state: State = fresh(link)
    for start in range(0, LINES, BATCH):
        state.apply(rows[start : start + BATCH])
    if state.rows_waiting() != LINES:
        raise RuntimeError(f"{state.rows_waiting()} of {LINES} lines wait in Redis")
    where = Server(url, "", "canister", "")
    sink: InfluxSink[Line] = InfluxSink("history", lambda: where, lambda row: row.text, BATCH)
    history = History(state, Stream(link, state, ROWS, "bench"), sink)
    began_s, used_s = time.perf_counter(), time.process_time()
    thread = threading.Thread(target=history.run, daemon=True)
    thread.start()
    while history.written < LINES:
        if time.perf_counter() - began_s > _GIVE_UP_S:
            raise RuntimeError(f"{history.written} of {LINES} lines in {_GIVE_UP_S:.0f} s")
        time.sleep(0.01)
    took_s, used_s = time.perf_counter() - began_s, time.process_time() - used_s
    history.stop()
    thread.join(10)
    if state.rows_waiting():
        raise RuntimeError(f"{state.rows_waiting()} lines still wait in Redis")
    return took_s, used_s


def _alone_s(url: str, lines: Sequence[str]) -> float:
    began_s = time.perf_counter()
    with InfluxDBClient(url=url, token="", org="", timeout=60_000, enable_gzip=True) as client:
        writer = client.write_api(write_options=SYNCHRONOUS)
        for start in range(0, len(lines), BATCH):
            writer.write("canister", "", list(lines[start : start + BATCH]))
    return time.perf_counter() - began_s
