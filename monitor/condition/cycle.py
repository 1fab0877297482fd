"""From one cleaning to the next: the blocks of the fouling track, its forecast, and interruptions.

Every ten minutes of running water the ten-minute mean is noted as a share of clean flow; the median
of six hours of these is one block of the track. A pause that is followed by much more flow than
before looks like a cleaning that nobody announced, and is put to the user as that.
"""

from __future__ import annotations

import msgspec

from monitor.condition.fouling import (
    BLOCK_S,
    Forecast,
    Track,
    add_block,
    forecast,
    next_cycle,
)
from monitor.records import Cause, Note

_EVERY_S = 600.0
_LEAST_VALUES = 6
_SUDDEN, _ODD_AT_MOST = 0.8, 144  # of the last block; so many ten-minute means are a day
# A cleaning takes minutes; shorter pauses are switches and feeding.
_LEAST_PAUSE_S = 60.0
_SETTLE_S = 900.0  # after a pause, until the ten-minute mean has forgotten what was before
_CLEANED_RISE, _CLEANED_TO = 0.08, 0.88
# Flow of a clean circuit with the temperature, from the viscosity alone: under 0.1 % a kelvin for a
# smooth hose (Churchill 1977 with IAPWS SR6-08).
_FLOW_PER_K = 0.0006


class CyclePlan(msgspec.Struct, frozen=True, gc=False):
    """The user's limit as a share of clean flow, and n of the filter's curve (see fouling)."""

    due_share: float = 0.75
    exponent: float = 2.0


class Cycle(msgspec.Struct, frozen=True, gc=False):
    """One cycle. Times are on the line; shares are of clean flow.

    `began_s` is `None` while clean flow is being learned. `values` are the ten-minute means of the
    block that is being filled. `reached_s` is when flow first was down to the limit.
    `odd` counts values that fell too suddenly for dirt.
    `still_s` is since when no water has been seen, `before` the share before that.
    """

    track: Track = Track()
    began_s: float | None = None
    clean_c: float | None = None
    values: tuple[float, ...] = ()
    block_s: float = 0.0
    next_s: float = 0.0
    reached_s: float | None = None
    forecast: Forecast | None = None
    forecast_s: float = 0.0
    still_s: float | None = None
    before: float | None = None
    judge_s: float | None = None
    presumed: bool = False
    odd: int = 0


def begin(old: Cycle, line_s: float, temperature_c: float | None) -> Cycle:
    """Return the cycle that begins with a clean flow that has just been learned."""
    return Cycle(Track((), old.track.past_s), line_s, temperature_c, (), line_s, line_s + _EVERY_S)


def end(old: Cycle, line_s: float) -> Cycle:
    """Return the cycle after a cleaning: it waits for the clean flow; the old one's length is kept."""
    return Cycle(track=next_cycle(old.track, _lasted_s(old, line_s)))


def _lasted_s(old: Cycle, line_s: float) -> float | None:
    """How long the cycle took to its limit, or would have taken; `None` where that is not known."""
    if old.began_s is None or (old.presumed and not old.track.points):
        return None
    if old.reached_s is not None:
        return old.reached_s - old.began_s
    found = old.forecast
    if found is None or not found.trend or found.median_s is None:
        return None
    return old.forecast_s + found.median_s - old.began_s


def left_s(cycle: Cycle, line_s: float) -> tuple[float, float, float] | None:
    """Return low, median and high of what is left until due, `None` where nothing can be said."""
    found = cycle.forecast
    if found is None or found.median_s is None or found.low_s is None or found.high_s is None:
        return None
    if cycle.reached_s is not None:
        return 0.0, 0.0, 0.0
    since = line_s - cycle.forecast_s
    return (
        max(0.0, found.low_s - since),
        max(0.0, found.median_s - since),
        max(0.0, found.high_s - since),
    )


def follow_cycle(
    old: Cycle,
    plan: CyclePlan,
    line_s: float,
    runs: bool,
    running: float | None,
    clean: float,
    temperature_c: float | None,
) -> tuple[Cycle, Note | None]:
    """Take one moment of a filter whose clean flow is known.

    Args:
        old, plan: the cycle so far.
        line_s: the moment.
        runs: whether water moves.
        running: the ten-minute mean of running flow in m³/s.
        clean: the clean flow in m³/s.
        temperature_c: of the water, if known.
    """
    if not runs:
        if old.still_s is None:
            before = running / clean if running is not None else None
            return msgspec.structs.replace(old, still_s=line_s, before=before), None
        return old, None
    if old.still_s is not None:
        paused = line_s - old.still_s
        judge = line_s + _SETTLE_S if paused >= _LEAST_PAUSE_S and old.before else old.judge_s
        later = max(old.next_s, line_s + _SETTLE_S)
        return msgspec.structs.replace(old, still_s=None, judge_s=judge, next_s=later), None
    if line_s < old.next_s or old.began_s is None or running is None:
        return old, None
    share = _at_clean_temperature(running / clean, temperature_c, old.clean_c)
    if old.judge_s is not None and line_s >= old.judge_s:
        return _judged(old, share, line_s)
    return _noted(old, plan, share, line_s), None


def _at_clean_temperature(share: float, now_c: float | None, clean_c: float | None) -> float:
    if now_c is None or clean_c is None:
        return share
    return share / (1.0 + _FLOW_PER_K * (now_c - clean_c))


def _judged(old: Cycle, share: float, line_s: float) -> tuple[Cycle, Note | None]:
    """After a pause: does the flow look as if the filter had been cleaned?"""
    before = old.before if old.before is not None else share
    plain = msgspec.structs.replace(old, judge_s=None, before=None)
    if share - before < _CLEANED_RISE or share < _CLEANED_TO:
        return plain, None
    fresh = Cycle(
        track=next_cycle(old.track, _lasted_s(old, line_s)),
        began_s=line_s,
        clean_c=old.clean_c,
        block_s=line_s,
        next_s=line_s + _EVERY_S,
        presumed=True,
    )
    told = (
        f"flow rose from {before:.0%} to {share:.0%} of clean over a pause: if the filter was "
        "cleaned, confirm it with `canister cleaned`; if not, `canister cleaned --undo`"
    )
    return fresh, Note(Cause.CLEANED_UNTOLD, told)


def _noted(old: Cycle, plan: CyclePlan, share: float, line_s: float) -> Cycle:
    last = old.track.points[-1].share if old.track.points else 1.0
    if share < _SUDDEN * last and old.odd < _ODD_AT_MOST:
        # A kink or a tap, not dirt, unless it stays for a day.
        return msgspec.structs.replace(old, odd=old.odd + 1, next_s=line_s + _EVERY_S)
    values = (*old.values, share)
    reached = old.reached_s
    if line_s - old.block_s < BLOCK_S or len(values) < _LEAST_VALUES or old.began_s is None:
        return msgspec.structs.replace(old, values=values[-36:], next_s=line_s + _EVERY_S, odd=0)
    middle = sorted(values)[len(values) // 2]
    if reached is None and middle <= plan.due_share:
        reached = line_s
    # The block stands at the middle of its own values, not of a pause before them.
    at_s = line_s - len(values) * _EVERY_S / 2 - old.began_s
    track = add_block(old.track, max(at_s, 0.0), middle)
    found = forecast(track, line_s - old.began_s, plan.due_share, plan.exponent)
    return msgspec.structs.replace(
        old,
        track=track,
        values=(),
        odd=0,
        block_s=line_s,
        next_s=line_s + _EVERY_S,
        reached_s=reached,
        forecast=found,
        forecast_s=line_s,
    )
