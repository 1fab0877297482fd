"""Due dates, causes and false alarms on seeded lives of invented filters.

Due dates are judged against plain forecasts on the flow in the same run.

Lives come from tests/support/lives.py, whose physics shares nothing with the estimator but
conservation: Hermia's general law, a pump of its own exponent, noise, wander, feeding pauses, nights
off; each with an ordinary stop on its second day and one fault later on. A minute's cadence in quiet
stretches, a second's from a minute before a stop or fault to its end. Scored at four shares of life
where the flow shows a trend: alpha-lambda accuracy (within 20 % of the true time left), coverage of the
80 % interval, CRPS in days; the cause that the alarm ends with, over all faults; false alarms of every
kind before due and outside what befalls the filter, a filter-year.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

from monitor.alarms.rules import Limits
from monitor.alarms.watch import KINDS, WatchPlan, WatchState, step
from monitor.condition.consequence import Stock
from monitor.condition.cycle import CyclePlan
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan, outlook
from monitor.condition.reference import Learning
from monitor.records import (
    AlarmKind,
    Cause,
    Event,
    EventKind,
    FlowReading,
    Moment,
    Outlook,
    Quality,
    TemperatureReading,
)
from tests.bench.figure import Figure
from tests.support.detectors import FORECASTERS
from tests.support.lives import MISHAPS, Life, Shown, live, shown

LIVES = 300
ALPHA = 0.2
SCORED_AT = (0.3, 0.5, 0.7, 0.9)
DAY_S = 86400.0
RIGHT = {
    "pump stalled": Cause.PUMP_OR_POWER,
    "kink": Cause.SUDDEN_RESTRICTION,
    "blocked": Cause.BLOCKED,
    "air": Cause.AIR,
    "hose off": Cause.HOSE_OFF,
    "jammed sensor": Cause.SENSOR_JAMMED,
    "probe unplugged": Cause.PROBE_FAULT,
    "meter silent": Cause.SENSOR_WIRING,
}
_FLOW = {AlarmKind.FLOW_STOPPED, AlarmKind.FLOW_LOW, AlarmKind.FLOW_HIGH, AlarmKind.FLOW_UNKNOWN}
_PROBE = set(KINDS) - _FLOW
_NORMAL_80 = 1.2816  # the normal quantile of 0.9


class Guess(NamedTuple):
    """What was said at a share of life: truth, ours (low, median, high), the references, days."""

    at: float
    truth: float
    ours: tuple[float, float, float] | None
    references: dict[str, float | None]


class Told(NamedTuple):
    """One life's guesses, false alarms before due, days watched, its fault and the cause told."""

    law: str
    guesses: list[Guess]
    false: list[str]
    days: float
    fault: str
    cause: Cause


def watch(seed: int) -> Told | None:
    """Let the daemon's own step watch one life."""
    life = live(seed)
    if life.due_minute is None:
        return None
    plan = WatchPlan(
        ConditionPlan(
            "x", Sensor(450e3, 1e-3), Learning(600.0, 3600.0, 0.06), life.clean_l_per_h / 3.6e6,
            CyclePlan(),
        ),
        Limits(temperature_min_c=23.5, temperature_max_c=27.0, has_probe=True),
        Stock(min_c=23.5, max_c=27.0),
    )  # fmt: skip
    at = {60.0 * int(life.due_minute * share): share for share in SCORED_AT}
    state, guesses, false, cause = WatchState(), [], [], Cause.NONE
    fault = life.mishaps[-1]
    daily: list[float] = []
    for seen_now in shown(life, life.due_minute):
        time_s = seen_now.time_s
        state, seen, events = step(state, plan, _readings(seen_now), Moment(time_s, time_s))
        for event in events:
            if fault.start_s < time_s <= fault.end_s:
                cause = _told(event, fault.kind, cause)
            elif _false(event, time_s, life):
                false.append(f"{event.alarm} ({event.cause})")
        clean = state.condition.reference.clean
        if time_s % 21600 == 0 and clean and seen.running_m3_per_s:
            daily.append(seen.running_m3_per_s / clean)
        if time_s in at:
            guesses.append(_guess(at[time_s], time_s, life, outlook(state.condition), daily))
    return Told(life.law, guesses, false, life.due_minute / 1440, fault.kind, cause)


def _readings(seen: Shown) -> tuple[FlowReading, TemperatureReading]:
    flow, warm = seen.flow_l_per_h, seen.temperature_c
    return (
        FlowReading("x", seen.span_s, None, Quality.MISSING)
        if flow is None
        else FlowReading("x", seen.span_s, flow / 3.6e6),
        TemperatureReading("x", None, Quality.DISCONNECTED)
        if warm is None
        else TemperatureReading("x", warm),
    )


def _told(event: Event, fault: str, before: Cause) -> Cause:
    """The cause that the alarm of a fault has by now; of the flow's, or of the probe's where it is."""
    about = event.alarm in (_PROBE if fault == "probe unplugged" else _FLOW)
    says = event.event in (EventKind.RAISED, EventKind.UPDATED)
    return event.cause if about and says else before


def _false(event: Event, time_s: float, life: Life) -> bool:
    """A pump that rests, as for feeding, is a true stop; so is the ordinary one; the rest is false."""
    if event.alarm is None or event.event is not EventKind.RAISED:
        return False
    minute = -(-int(time_s) // 60)
    if event.alarm is AlarmKind.FLOW_STOPPED:
        ordinary = life.mishaps[0]
        return life.flows[minute] > 0 and not ordinary.start_s < time_s <= ordinary.end_s
    return event.alarm is not AlarmKind.CLEANING_DUE or minute < (life.due_minute or 0) * 0.93


def _guess(
    share: float, time_s: float, life: Life, ahead: Outlook | None, daily: list[float]
) -> Guess:
    now = time_s / DAY_S
    truth = (life.due_minute or 0) / 1440 - now
    mine = None
    if ahead is not None and ahead.trend and ahead.median_s is not None:
        mine = (ahead.low_s or 0.0, ahead.median_s, ahead.high_s or 0.0)
        mine = (mine[0] / DAY_S, mine[1] / DAY_S, mine[2] / DAY_S)
    times = [0.25 * n for n in range(len(daily))]
    references: dict[str, float | None] = {}
    for name, forecaster in FORECASTERS.items():
        due = forecaster(times, daily, 0.75)
        references[name] = None if due is None else max(0.0, due - now)
    return Guess(share, truth, mine, references)


def crps(low: float, median: float, high: float, truth: float) -> float:
    """CRPS of the lognormal through median and 80 % interval, by its quantiles (pinball mean)."""
    up = max(1e-6, math.log(max(high, 1e-3) / max(median, 1e-3))) / _NORMAL_80
    down = max(1e-6, math.log(max(median, 1e-3) / max(low, 1e-3))) / _NORMAL_80
    normal = statistics.NormalDist()
    total = 0.0
    for n in range(1, 40):
        share = n / 40
        z = normal.inv_cdf(share)
        q = max(median, 1e-3) * math.exp(z * (up if z > 0 else down))
        total += 2 * ((truth - q) * (share - (truth < q)))
    return total / 39


def measure() -> list[Figure]:
    """Watch all lives, on both cores, and score."""
    with ProcessPoolExecutor() as pool:
        told = [t for t in pool.map(watch, range(LIVES), chunksize=5) if t is not None]
    figures = []
    for share in SCORED_AT:
        figures += _at(share, told)
    pooled = [g for t in told for g in t.guesses if g.ours is not None]
    inside = statistics.fmean(g.ours[0] <= g.truth <= g.ours[2] for g in pooled if g.ours)
    figures.append(
        Figure(f"lives: coverage of the 80 % interval, {len(pooled)} forecasts pooled", f"{inside:.0%}",
               "–", "–", "72 to 88 %", 0.72 <= inside <= 0.88, True)
    )  # fmt: skip
    years = sum(t.days for t in told) / 365.25
    said = Counter(line for t in told for line in t.false)
    false = sum(said.values())
    which = ", ".join(f"{line} {n}" for line, n in said.most_common())
    figures.append(
        Figure("lives: false alarms a filter-year", f"{false / years:.2f}",
               f"{false} in {years:.0f} years{': ' if which else ''}{which}", "–", "1", false / years < 1, True)
    )  # fmt: skip
    return [*figures, *_causes(told)]


def _causes(told: list[Told]) -> list[Figure]:
    """The confusion matrix of causes: one row a kind of fault."""
    figures, right = [], 0
    for name in MISHAPS:
        causes = Counter(t.cause for t in told if t.fault == name)
        good = causes.pop(RIGHT[name], 0)
        right += good
        others = ", ".join(f"{cause} {n}" for cause, n in causes.most_common()) or "none other"
        figures.append(Figure(f"lives: cause of {name}", f"{good}/{good + causes.total()}", others,
                              "–", "see all", True, True))  # fmt: skip
    share = right / len(told)
    figures.append(Figure("lives: causes right, all faults", f"{share:.0%}", f"{len(told)} faults",
                          "–", "90 %", share >= 0.9, True))  # fmt: skip
    return figures


def _at(share: float, told: list[Told]) -> list[Figure]:
    guesses = [g for t in told for g in t.guesses if g.at == share]
    ours = [(g, g.ours) for g in guesses if g.ours is not None]
    if not ours:
        return []
    coverage = statistics.fmean(o[0] <= g.truth <= o[2] for g, o in ours)
    alpha = statistics.fmean(abs(o[1] - g.truth) <= ALPHA * g.truth for g, o in ours)
    mine = statistics.fmean(crps(*o, g.truth) for g, o in ours)
    best_name, best_alpha, best_error = "", 0.0, math.inf
    for name in FORECASTERS:
        given = [(g, g.references[name]) for g, _ in ours]
        right = statistics.fmean(
            r is not None and abs(r - g.truth) <= ALPHA * g.truth for g, r in given
        )
        # A forecast that never comes due costs what a year off would.
        error = statistics.fmean(min(365.0, abs((r if r is not None else 365.0) - g.truth)) for g, r in given)  # fmt: skip
        if right > best_alpha or (right == best_alpha and error < best_error):
            best_name, best_alpha, best_error = name, right, error
    name = f"lives at {share:.0%} of life: trend in {len(ours)} of {len(guesses)}"
    return [
        Figure(f"{name}, coverage of 80 %", f"{coverage:.0%}", "–", "–", "see pooled", True, True),
        Figure(f"{name}, within 20 %", f"{alpha:.0%}", f"{best_alpha:.0%} ({best_name})", "–", "above reference", alpha >= best_alpha, True),
        Figure(f"{name}, CRPS", f"{mine:.1f} days", f"{best_error:.1f} days ({best_name})", f"{mine / best_error:.2f}", "below reference", mine <= best_error, True),
    ]  # fmt: skip
