"""A backlog of samples taken to a real VictoriaMetrics, against influxdb-client alone with the same rows.

The reference makes a `Point` of each row and writes it with the client's synchronous writer, in batches of
the same size: what a program without a journal would do. A second reference is given the very lines that
ours sends, ready in memory: then only the client and the server are left of the work. Ours reads the
journal, makes the lines, writes and moves its cursor. All run three times in turn; the median of the
ratios counts.
"""

from __future__ import annotations

import statistics
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point
from influxdb_client.client.write_api import SYNCHRONOUS

from monitor.delivery.dispatcher import Dispatcher
from monitor.delivery.influx import InfluxSink, Server
from monitor.delivery.line_protocol import Dialect, sample_line
from monitor.journal.history import SampleLedger
from monitor.journal.store import Journal
from monitor.records import Quality, SampleRow
from monitor.runtime.backoff import Backoff
from monitor.units import l_per_h
from tests.bench.figure import Figure
from tests.support.timeseries import VictoriaMetrics, serving

ROWS, BATCH, ROUNDS = 86_400, 5000, 3
TARGET = 0.7
_SINK = "influx_samples"
_DIALECT = Dialect("bench", "canister", False)


def measure() -> list[Figure]:
    """Fill a journal with a day of samples; write it in turn by ours and by the client alone."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        server = VictoriaMetrics(folder)
        with serving(server):
            journal = Journal(folder / "state")
            _fill(journal)
            rows = SampleLedger(journal).entries_after(0, ROWS)
            lines = [sample_line(row, _DIALECT) for row in rows]
            ours, points, bare = [], [], []
            for _ in range(ROUNDS):
                points.append(ROWS / _alone_s(server.url, rows))
                journal.move_cursor(_SINK, 0)
                ours.append(ROWS / _ours_s(server.url, journal))
                bare.append(ROWS / _alone_s(server.url, lines))
            journal.close()
            assert server.invalid_rows() == 0
    return [
        _figure("against rows made into points", ours, points, "of the same rows", TARGET),
        _figure("against lines that are ready", ours, bare, "of ready lines", None),
    ]


def _figure(
    what: str, ours: list[float], others: list[float], reference: str, target: float | None
) -> Figure:
    ratio = statistics.median(a / b for a, b in zip(ours, others, strict=True))
    return Figure(
        f"back-fill of {ROWS:,} samples, {what}",
        f"{statistics.median(ours):,.0f} rows/s",
        f"{statistics.median(others):,.0f} rows/s (influxdb-client, synchronous, {reference})",
        f"{ratio:.2f}",
        "none" if target is None else f"{target:g}",
        target is None or ratio >= target,
    )


def _fill(journal: Journal) -> None:
    began_s = float(int(time.time()) - 2 * ROWS)
    with journal.guarded("write", transaction=True) as link:
        link.executemany(
            "INSERT INTO samples (filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, clean_m3_per_s, "
            "temperature_c, temperature_quality) VALUES ('left', ?, ?, 1, ?, 'good', 2.1e-4, ?, 'good')",
            [
                (began_s + n, began_s + n + 0.001 * (n % 7), 1.9e-4 + 1e-8 * (n % 997), 25.0 + 0.0625 * (n % 3))
                for n in range(ROWS)
            ],
        )  # fmt: skip


def _ours_s(url: str, journal: Journal) -> float:
    where, done = Server(url, "", "canister", ""), threading.Event()
    sink: InfluxSink[SampleRow] = InfluxSink(
        _SINK, lambda: where, lambda row: sample_line(row, _DIALECT), BATCH
    )
    one = Dispatcher(
        SampleLedger(journal),
        sink,
        Backoff(),
        lambda: done.set() if one.delivered >= ROWS else None,
    )
    began_s = time.perf_counter()
    one.start()
    if not done.wait(300):
        raise RuntimeError(f"not done in 300 s: {one.health().line}")
    took_s = time.perf_counter() - began_s
    one.halt(0.0)
    return took_s


def _alone_s(url: str, rows: Sequence[SampleRow | str]) -> float:
    began_s = time.perf_counter()
    with InfluxDBClient(url=url, token="", org="", timeout=60_000, enable_gzip=True) as client:
        writer = client.write_api(write_options=SYNCHRONOUS)
        for start in range(0, len(rows), BATCH):
            batch = [r if isinstance(r, str) else _point(r) for r in rows[start : start + BATCH]]
            writer.write("canister", "", batch)
    return time.perf_counter() - began_s


def _point(row: SampleRow) -> Point:
    point = Point("canister_sample").tag("site", "bench").tag("filter", row.filter_id)
    if row.flow_m3_per_s is not None:
        point.field("flow_l_per_h", l_per_h(row.flow_m3_per_s))
    if row.clean_m3_per_s is not None:
        point.field("clean_l_per_h", l_per_h(row.clean_m3_per_s))
    if row.temperature_c is not None:
        point.field("temperature_c", row.temperature_c)
    point.field("flow_trusted", row.flow_quality is Quality.GOOD)
    point.field("temperature_trusted", row.temperature_quality is Quality.GOOD)
    point.field("synchronised", row.moment.synchronised).field("simulated", False)
    return point.time(int(row.moment.utc_s * 1e9))
