"""A signal that is too even to be water: a value that has frozen, or hum of the mains on the wire.

Water in a hose is turbulent and a rotor never turns at quite the same rate. So a value that has
changed all the time and then stands still for long is a frozen reader, and pulses that keep step with
the mains are picked up from it: an open wire is an antenna, and 50 a second look like a fair flow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from monitor.records import FlowReading, PulseReading, Quality

# A frozen value: so long, so many readings, and so many times longer than it ever stood before.
_FROZEN_S, _FROZEN_READINGS, _FROZEN_TIMES = 600.0, 60, 20.0
_CHANGES_KNOWN = 20  # before that nobody knows how often this meter changes
_ODD_COUNT, _COUNT_READINGS = 20, 600  # the same count of so many pulses cannot come so often
_MOST_PULSES, _LONGEST_SPAN_S = 10**12, 1e6  # beyond these nothing can be said of evenness
# Mains and its double (both halves of a wave), Hz; grids keep within 0.4 % (from memory).
MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
_NEAR_MAINS = 0.004
_JUMP, _MOVES_HZ = 0.05, 1.0
# Counts of ten seconds each; five minutes make a window, in which a grid hardly drifts.
_BUCKET_S, _WINDOW, _WINDOWS = 10.0, 30, 3
_STEP_WITHIN = 0.6  # pulses, root mean square about a straight line: whole counts alone make 0.3


class Evenness(msgspec.Struct, frozen=True, gc=False):
    """How even one signal has been.

    `same` readings over `same_s` seconds had the `last` value; it changed `changes` times before, and
    stood for `longest_s` at the most. `pulses` over `span_s` fill a bucket; `ahead` has, for each bucket
    of the window, by how many pulses the signal was ahead of the mains; `even` counts windows that kept
    step. `far_hz` is the last rate of water that was not near the mains, 0 when none has been seen.
    """

    last: float = -1.0
    same: int = 0
    same_s: float = 0.0
    changes: int = 0
    longest_s: float = 0.0
    pulses: int = 0
    span_s: float = 0.0
    ahead: tuple[float, ...] = ()
    even: int = 0
    far_hz: float = 0.0

    @property
    def in_step(self) -> bool:
        """Whether the pulses have kept step with the mains for too long to be water."""
        return self.even >= _WINDOWS


FRESH = Evenness()


def is_stuck(old: Evenness, reading: PulseReading | FlowReading) -> tuple[Evenness, bool]:
    """Take a reading; return whether its signal is stuck.

    A reading that is not good, without a value, or of no time, leaves things as they are.
    """
    span_s = reading.span_s
    if reading.quality is not Quality.GOOD or not 0.0 < span_s < _LONGEST_SPAN_S:
        return old, False
    if isinstance(reading, FlowReading):
        flow = reading.flow_m3_per_s
        if flow is None or not math.isfinite(flow):
            return old, False
        new = _same(old, flow, span_s)
        return new, _frozen_value(new)
    if not 0 <= reading.pulses <= _MOST_PULSES:
        return old, False
    new = _bucketed(_same(old, float(reading.pulses), span_s), reading.pulses, span_s)
    return new, new.in_step or (new.same >= _COUNT_READINGS and reading.pulses >= _ODD_COUNT)


def _same(old: Evenness, value: float, span_s: float) -> Evenness:
    if value == old.last:
        return msgspec.structs.replace(old, same=old.same + 1, same_s=old.same_s + span_s)
    # A standstill is always even and says nothing of how the meter changes.
    longest = max(old.longest_s, old.same_s) if old.last > 0.0 else old.longest_s
    return msgspec.structs.replace(
        old, last=value, same=1, same_s=span_s, changes=old.changes + 1, longest_s=longest
    )


def _frozen_value(now: Evenness) -> bool:
    return (
        now.last > 0.0
        and now.same >= _FROZEN_READINGS
        and now.same_s >= _FROZEN_S
        and now.changes >= _CHANGES_KNOWN
        and now.same_s >= _FROZEN_TIMES * now.longest_s
    )


def _bucketed(old: Evenness, pulses: int, span_s: float) -> Evenness:
    total, span = old.pulses + pulses, old.span_s + span_s
    if span < _BUCKET_S:
        return msgspec.structs.replace(old, pulses=total, span_s=span)
    rate = total / span
    mains = next((hz for hz in MAINS_HZ if abs(rate - hz) <= _NEAR_MAINS * hz + 1.0 / span), None)
    if mains is None:
        far = rate if rate > _MOVES_HZ else old.far_hz
        return msgspec.structs.replace(old, pulses=0, span_s=0.0, ahead=(), even=0, far_hz=far)
    if old.far_hz and abs(old.far_hz - mains) < _JUMP * mains:
        # Water on its way down passes the mains' rate too; hum comes at once.
        return msgspec.structs.replace(old, pulses=0, span_s=0.0)
    ahead, even = (*old.ahead, total - mains * span), old.even
    if len(ahead) == _WINDOW:
        even = min(even + 1, _WINDOWS) if _keeps_step(ahead) else 0
        ahead = ()
    return msgspec.structs.replace(old, pulses=0, span_s=0.0, ahead=ahead, even=even)


def _keeps_step(ahead: Sequence[float]) -> bool:
    """Whether the phase, the sum of the steps, stays with a straight line: the grid's own offset."""
    phase, total = [], 0.0
    for step in ahead:
        total += step
        phase.append(total)
    n = len(phase)
    middle_at, middle = (n - 1) / 2.0, sum(phase) / n
    slope = sum((i - middle_at) * p for i, p in enumerate(phase)) / sum(
        (i - middle_at) ** 2 for i in range(n)
    )
    off = sum((p - middle - slope * (i - middle_at)) ** 2 for i, p in enumerate(phase))
    return math.sqrt(off / n) <= _STEP_WITHIN
