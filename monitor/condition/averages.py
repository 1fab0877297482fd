"""Running means of the flow over three spans, and how much it churns."""

from __future__ import annotations

import math

import msgspec

_STEADY_S = 10.0  # what a person would read off
_CHURN_S = 20.0  # long after a step is forgotten by the 10 s mean, swings are still counted
_RUNNING_S = 600.0  # smooth enough for a slow decision
_DAY_S = 86400.0  # what "before" means when a change is called sudden or gradual


class Averages(msgspec.Struct, frozen=True, gc=False):
    """Exponential means in m³/s over about 10 s, 10 min and a day; `None` before the first value.

    The two slow ones take only flow while water runs, so that a stop does not look like fouling.
    `churn` is the mean absolute distance of each value from the 10 s mean, in m³/s.
    """

    steady: float | None = None
    running: float | None = None
    day: float | None = None
    churn: float = 0.0


def follow(old: Averages, flow_m3_per_s: float, span_s: float, runs: bool) -> Averages:
    """Return the means after a value that stands for `span_s` seconds; `runs`: water moves."""
    steady = old.steady
    if steady is None:
        first = flow_m3_per_s if runs else None
        return Averages(flow_m3_per_s, first, first, 0.0)
    steady += _gain(span_s, _STEADY_S) * (flow_m3_per_s - steady)
    # Against the new mean: a value that stands for a minute says nothing of swings within it.
    churn = old.churn + _gain(span_s, _CHURN_S) * (abs(flow_m3_per_s - steady) - old.churn)
    if not runs:
        return Averages(steady, old.running, old.day, churn)
    running, day = old.running, old.day
    if running is None or day is None:
        return Averages(steady, flow_m3_per_s, flow_m3_per_s, churn)
    return Averages(
        steady,
        running + _gain(span_s, _RUNNING_S) * (flow_m3_per_s - running),
        day + _gain(span_s, _DAY_S) * (flow_m3_per_s - day),
        churn,
    )


def _gain(span_s: float, over_s: float) -> float:
    return -math.expm1(-span_s / over_s)
