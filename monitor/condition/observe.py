"""Changes that the statistics see: a step of the flow, or flow that begins to churn.

The newest half minute is held against the trailing minutes before it, whose own scatter sets the
measure; a slow drift moves the baseline along. An observation goes on the record and wakes nobody.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import msgspec

_BUCKET_S = 10.0
_BASE, _GUARD, _RECENT = 30, 3, 9  # buckets: five minutes of baseline, a pause, the newest ones
_LEAST_BASE = 12
# Deviations of the difference of the two means. Flow in a hose wanders, so this is far above what
# independent noise would need.
_STEP_DEVIATIONS = 9.0
_LEAST_STEP = 0.01  # of the baseline
_CHURN_TIMES, _LEAST_CHURN = 4.0, 0.02
_FLOOR = 0.0008  # of the baseline: the least scatter believed, for meters that show whole litres


class Watching(msgspec.Struct, frozen=True, gc=False):
    """Means of ten seconds each, newest last, and the bucket that is being filled."""

    buckets: tuple[float, ...] = ()
    spans: tuple[float, ...] = ()
    total: float = 0.0
    square: float = 0.0
    span_s: float = 0.0
    count: int = 0


class Change(msgspec.Struct, frozen=True, gc=False):
    """A change of the flow: by how much of the baseline, and whether it is churn and not a step."""

    by: float
    churn: bool


def watch_change(
    old: Watching, flow_m3_per_s: float, span_s: float
) -> tuple[Watching, Change | None]:
    """Take one value; return a change when it has just become certain."""
    total, span = old.total + flow_m3_per_s * span_s, old.span_s + span_s
    if span < _BUCKET_S:
        return Watching(old.buckets, old.spans, total, 0.0, span, old.count + 1), None
    buckets = (*old.buckets, total / span)[-(_BASE + _GUARD + _RECENT) :]
    change = _compare(buckets)
    if change is not None:
        # What is new is the measure from now on.
        buckets = buckets[-_RECENT:]
    return Watching(buckets), change


def _compare(buckets: Sequence[float]) -> Change | None:
    recent, base = buckets[-_RECENT:], buckets[: -(_RECENT + _GUARD)]
    if len(base) < _LEAST_BASE:
        return None
    middle = _median(base)
    if middle <= 0.0:
        return None
    scatter = 1.4826 * _median([abs(b - middle) for b in base])
    scatter = max(scatter, _FLOOR * middle, _spread(base) * 0.5)
    now = _median(recent)
    step = now - middle
    deviation = scatter * math.sqrt(1.0 / len(recent) + 1.0 / len(base))
    if abs(step) > _STEP_DEVIATIONS * deviation and abs(step) > _LEAST_STEP * middle:
        return Change(step / middle, False)
    churn = _spread(recent)
    if churn > _CHURN_TIMES * scatter and churn > _LEAST_CHURN * middle:
        return Change(churn / middle, True)
    return None


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    return ordered[len(ordered) // 2]


def _spread(values: Sequence[float]) -> float:
    """Median distance from one value to the next: scatter without drift and without a single step."""
    return _median([abs(b - a) for a, b in itertools.pairwise(values)])
