"""Due dates on seeded lives of invented filters, ours against plain forecasts on the flow.

Lives come from tests/support/lives.py, whose physics shares nothing with the estimator but
conservation: Hermia's general law, a pump of its own exponent, noise, wander, feeding pauses, nights
off. A minute's cadence throughout. Scored at half of life where the flow shows a trend: alpha-lambda
accuracy (within 20 % of the true time left), coverage of the 80 % interval, CRPS in days; false alarms
of every kind before due, a filter-year.
"""

from __future__ import annotations

import math
import statistics
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

from monitor.alarms.rules import Limits
from monitor.alarms.watch import WatchPlan, WatchState, step
from monitor.condition.cycle import CyclePlan
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan, outlook
from monitor.condition.reference import Learning
from monitor.records import AlarmKind, EventKind, FlowReading, Moment, Outlook, TemperatureReading
from tests.bench.figure import Figure
from tests.support.detectors import FORECASTERS
from tests.support.lives import Life, live

LIVES = 300
ALPHA = 0.2
SCORED_AT = (0.3, 0.5, 0.7, 0.9)
DAY_S = 86400.0
_NORMAL_80 = 1.2816  # the normal quantile of 0.9


class Guess(NamedTuple):
    """What was said at a share of life: truth, ours (low, median, high), the references, days."""

    at: float
    truth: float
    ours: tuple[float, float, float] | None
    references: dict[str, float | None]


class Told(NamedTuple):
    """One life's guesses, false alarms before due, and how long it was watched, in days."""

    law: str
    guesses: list[Guess]
    false: int
    days: float


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
        Limits(),
    )  # fmt: skip
    at = {int(life.due_minute * share): share for share in SCORED_AT}
    state, guesses, false = WatchState(), [], 0
    daily: list[float] = []
    for minute in range(life.due_minute):
        now = Moment(60.0 * minute, 60.0 * minute)
        flow = FlowReading("x", 60.0, life.flows[minute] / 3.6e6)
        warm = TemperatureReading("x", life.temperatures[minute])
        state, seen, events = step(state, plan, (flow, warm), now)
        false += sum(_false(e.alarm, e.event, minute, life) for e in events)
        clean = state.condition.reference.clean
        if minute % 360 == 0 and clean and seen.running_m3_per_s:
            daily.append(seen.running_m3_per_s / clean)
        if minute in at:
            guesses.append(_guess(at[minute], minute, life, outlook(state.condition), daily))
    return Told(life.law, guesses, false, life.due_minute / 1440)


def _false(alarm: AlarmKind | None, event: EventKind, minute: int, life: Life) -> bool:
    """A feeding pause of ten minutes or a night off is a true stop; the rest before due is false."""
    if alarm is None or event is not EventKind.RAISED:
        return False
    if alarm is AlarmKind.FLOW_STOPPED:
        return life.flows[minute] > 0
    return alarm is not AlarmKind.CLEANING_DUE or minute < (life.due_minute or 0) * 0.93


def _guess(
    share: float, minute: int, life: Life, ahead: Outlook | None, daily: list[float]
) -> Guess:
    truth = ((life.due_minute or 0) - minute) / 1440
    mine = None
    if ahead is not None and ahead.trend and ahead.median_s is not None:
        mine = (ahead.low_s or 0.0, ahead.median_s, ahead.high_s or 0.0)
        mine = (mine[0] / DAY_S, mine[1] / DAY_S, mine[2] / DAY_S)
    times = [0.25 * n for n in range(len(daily))]
    references: dict[str, float | None] = {}
    for name, forecaster in FORECASTERS.items():
        due = forecaster(times, daily, 0.75)
        references[name] = None if due is None else max(0.0, due - minute / 1440)
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
               "–", "–", "72 to 88 %", 0.72 <= inside <= 0.88)
    )  # fmt: skip
    years = sum(t.days for t in told) / 365.25
    false = sum(t.false for t in told)
    figures.append(
        Figure("lives: false alarms a filter-year", f"{false / years:.2f}", f"{false} in {years:.0f} years",
               "–", "1", false / years < 1)
    )  # fmt: skip
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
        Figure(f"{name}, coverage of 80 %", f"{coverage:.0%}", "–", "–", "see pooled", True),
        Figure(f"{name}, within 20 %", f"{alpha:.0%}", f"{best_alpha:.0%} ({best_name})", "–", "above reference", alpha >= best_alpha),
        Figure(f"{name}, CRPS", f"{mine:.1f} days", f"{best_error:.1f} days ({best_name})", f"{mine / best_error:.2f}", "below reference", mine <= best_error),
    ]  # fmt: skip
