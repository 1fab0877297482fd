"""Detection on the real recordings beside the checkout, ours against plain references.

A fault is visible where the mean of some half minute of its labelled span lies three scatters of
the healthy minutes before it away from them; latency counts from there. A false alarm is a raising
outside the labelled span and the ninety seconds after it. Ours are observations and alarms together,
with the daemon's defaults.
"""

from __future__ import annotations

import csv
import math
import statistics
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from monitor.alarms.rules import Limits
from monitor.app.replay import replay, unknown_filter
from monitor.sensing.columns import choose
from monitor.sensing.recording import Recording
from tests.bench.figure import Figure
from tests.support.detectors import DETECTORS

DATA = Path(__file__).resolve().parents[3] / "shared" / "data"
AFTER_S = 90.0


class Run(NamedTuple):
    """One recording: seconds, flow, labels; `visible_s` where its fault shows first, if at all."""

    name: str
    times: list[float]
    flow: list[float]
    labels: list[bool]
    visible_s: float | None


def loop_runs() -> list[Run]:
    """The circulation-loop recordings."""
    return [_read(f) for f in sorted((DATA / "skab").glob("*.csv")) if not f.name.startswith("_")]


def _read(file: Path) -> Run:
    with file.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    start = datetime.fromisoformat(rows[0]["datetime"])
    times = [(datetime.fromisoformat(r["datetime"]) - start).total_seconds() for r in rows]
    flow = [float(r["flow_lpm"]) for r in rows]
    labels = [(r.get("anomaly") or "0").startswith("1") for r in rows]
    return Run(file.stem, times, flow, labels, _visible(times, flow, labels))


def _visible(times: list[float], flow: list[float], labels: list[bool]) -> float | None:
    if not any(labels):
        return None
    first = labels.index(True)
    healthy = [
        statistics.fmean(flow[i : i + 30]) for i in range(max(0, first - 300), first - 30, 15)
    ]
    middle, scatter = statistics.fmean(healthy), max(statistics.stdev(healthy), 1e-3)
    for i in range(first, len(flow) - 30):
        if not labels[i]:
            return None
        if abs(statistics.fmean(flow[i : i + 30]) - middle) > 3 * scatter:
            return times[i]
    return None


def ours(run: Run) -> list[float]:
    """Seconds at which something was observed or an alarm raised."""
    file = DATA / "skab" / f"{run.name}.csv"
    with file.open(encoding="utf-8") as stream:
        header = next(csv.reader(stream))
    found: list[float] = []
    recording = Recording(file, choose(header, file), "loop")
    replay(
        recording,
        unknown_filter("loop", 450, 300, Limits()),
        lambda e: found.append(e["elapsed_s"]) if e["event"] in ("observed", "raised") else None,
    )
    recording.close()
    return found


class Score(NamedTuple):
    """What a detector reached over all recordings."""

    found: int
    visible: int
    latencies: list[float]
    false: int
    healthy_h: float
    in_alarm: float  # share of the fault-free recording's time


def score(runs: list[Run], raised: list[list[float]], in_alarm: float) -> Score:
    """Count events found, latencies and false alarms."""
    found, visible, false, healthy_s = 0, 0, 0, 0.0
    latencies = []
    for run, at in zip(runs, raised, strict=True):
        labelled = [t for t, label in zip(run.times, run.labels, strict=True) if label]
        low, high = (labelled[0], labelled[-1]) if labelled else (math.inf, -math.inf)
        false += sum(not low <= t <= high + AFTER_S for t in at)
        healthy_s += run.times[-1] - max(0.0, high - low if labelled else 0.0)
        if run.visible_s is None:
            continue
        visible += 1
        inside = [t for t in at if low <= t <= high]
        if inside:
            found += 1
            latencies.append(max(0.0, inside[0] - run.visible_s))
    return Score(found, visible, latencies, false, healthy_s / 3600, in_alarm)


def edges(states: list[bool], times: list[float]) -> list[float]:
    """When a detector goes into alarm."""
    return [t for a, b, t in zip([False, *states], states, times, strict=False) if b and not a]


def measure() -> list[Figure]:
    """Score ours and the references; nothing where the recordings are absent."""
    if not DATA.is_dir():
        return [Figure("real recordings", "absent", "–", "–", "–", True)]
    runs = loop_runs()
    free = next(i for i, r in enumerate(runs) if r.name == "anomaly_free")
    raised = [ours(r) for r in runs]
    # An observation stands for the ten seconds in which it was made.
    mine = score(runs, raised, 10.0 * len(raised[free]) / runs[free].times[-1])
    figures = []
    for name, detector in DETECTORS.items():
        states = [detector(r.flow) for r in runs]
        other = score(
            runs,
            [edges(s, r.times) for s, r in zip(states, runs, strict=True)],
            sum(states[free]) / len(states[free]),
        )
        figures.append(_row(f"loop faults: {name}", other, None))
    return [_row("loop faults: ours", mine, True), *figures, _cranfield(), _river()]


def _row(name: str, s: Score, judged: bool | None) -> Figure:
    ordered = sorted(s.latencies)
    median = statistics.median(ordered) if ordered else math.nan
    late = ordered[int(0.9 * (len(ordered) - 1))] if ordered else math.nan
    bound = _poisson_upper(s.false) / s.healthy_h
    met = s.found >= s.visible - 1 and s.false / s.healthy_h <= 1.0 and s.in_alarm < 0.015
    return Figure(
        name,
        f"{s.found}/{s.visible} found, latency {median:.0f} s (p90 {late:.0f})",
        f"{s.false / s.healthy_h:.2f} false/h (95 % below {bound:.2f})",
        f"{s.in_alarm:.1%} of healthy time",
        "all but 1, 1/h, 1.5 %" if judged else "reference",
        met if judged else True,
        True,
    )


def _poisson_upper(count: int) -> float:
    """The mean below which a Poisson count this small or smaller comes once in twenty."""
    low, high = float(count), count + 20.0
    for _ in range(60):
        mean = (low + high) / 2
        below = sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(count + 1))
        low, high = (mean, high) if below > 0.05 else (low, mean)
    return low


def _cranfield() -> Figure:
    file = DATA / "cranfield_multiphase" / "set2_2.csv"
    with file.open(encoding="utf-8") as stream:
        header = next(csv.reader(stream))
    columns = choose(header, file, time="t_s", flow="FT104_water_in_kg_s")
    raised: list[float] = []
    recording = Recording(file, columns, "line")
    replay(
        recording,
        unknown_filter("line", 450, 300, Limits()),
        lambda e: raised.append(e["time"]) if e["alarm"] == "flow-stopped" and e["event"] == "raised" else None,
    )  # fmt: skip
    recording.close()
    late = raised[0] - 2281 if raised else math.inf
    return Figure("water line closing: flow stopped", f"{late:.0f} s after the collapse begins",
                  "–", "–", "30 s", 0 < late <= 30, True)  # fmt: skip


def _river() -> Figure:
    """Temperature rows that technicians labelled, refused by the validity checks."""
    from monitor.condition import pipeline
    from monitor.condition.flow import Sensor
    from monitor.condition.pipeline import ConditionPlan, ConditionState
    from monitor.condition.reference import Learning
    from monitor.records import Moment, TemperatureReading

    plan = ConditionPlan("river", Sensor(450e3, 1.0), Learning(0.0, 300.0, 0.06))
    state, caught, labelled, false, rows = ConditionState(), 0, 0, 0, 0
    with (DATA / "logan_river_water_temp" / "Mendon2019.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            now = Moment(900.0 * rows, 900.0 * rows)
            rows += 1
            reading = TemperatureReading("river", float(row["temp_raw_c"]))
            state, seen = pipeline.step(state, plan, [reading], now)
            refused = seen.temperature_c is None
            labelled += bool(row["qual"])
            caught += bool(row["qual"]) and refused
            false += refused and not row["qual"]
    months = rows * 900 / 86400 / 30.4
    return Figure("river temperature: labelled rows refused", f"{caught / labelled:.1%}",
                  f"{false / months:.2f} false a month", "–", "95 %, 1 a month",
                  caught >= 0.95 * labelled and false / months < 1, True)  # fmt: skip
