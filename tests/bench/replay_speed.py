"""Replay against real time, and against only reading the same file."""

from __future__ import annotations

import csv
import math
import random
import tempfile
import time
from pathlib import Path

from monitor.alarms.rules import Limits
from monitor.app.replay import replay, unknown_filter
from monitor.sensing.columns import Columns
from monitor.sensing.recording import Recording
from tests.bench.figure import Figure

ROWS = 400_000
TARGET = 20_000


def write(file: Path) -> None:
    """Write an invented filter at 1 Hz: noise, a slow fall, two stops."""
    noise = random.Random(1)
    with file.open("w", encoding="utf-8") as out:
        out.write("time_s,flow_l_per_h,water_temp_c\n")
        for t in range(ROWS):
            stopped = t % 200_000 > 199_000
            flow = 0.0 if stopped else 700 * (1 - 0.2 * t / ROWS) * (1 + noise.gauss(0, 0.01))
            out.write(f"{t},{flow:.1f},{25 + 0.5 * math.sin(t / 9000):.2f}\n")


def measure() -> list[Figure]:
    """Run the bench."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bench.csv"
        write(file)
        began = time.perf_counter()
        with file.open(encoding="utf-8", newline="") as stream:
            rows = csv.reader(stream)
            next(rows)
            for row in rows:
                [float(field) for field in row]
        reading_s = time.perf_counter() - began
        columns = Columns("time_s", "flow_l_per_h", "L/h", None, "water_temp_c", "degC")
        recording = Recording(file, columns, "bench")
        events: list[object] = []
        began = time.perf_counter()
        summary = replay(recording, unknown_filter("bench", 450, 300, Limits()), events.append)
        took_s = time.perf_counter() - began
        recording.close()
    assert summary.raised == 2, events
    speed = summary.span_s / took_s
    return [
        Figure(
            "replay, one filter at 1 Hz",
            f"{speed:,.0f} × real time",
            f"{summary.span_s / reading_s:,.0f} × (only reading the CSV)",
            f"{speed / TARGET:.1f} × target",
            f"{TARGET:,} × real time",
            speed >= TARGET,
        )
    ]
