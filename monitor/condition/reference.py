"""The clean flow: learned in the first steady stretch after commissioning or a cleaning.

The stretch is cut into twelve blocks; it is steady when their means agree. Until then the
window slides, so a pump that still warms up or sheds air is not taken for clean.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

from monitor.records import CleanBasis

_BLOCKS = 12
# After this many stretches without a steady one the median block is taken: better a rough
# reference that is told as such than a filter nobody watches.
_PATIENCE_BLOCKS = 10 * _BLOCKS
_BURST_FORGOTTEN_AFTER = 2.0  # stretches
_NO_CLEAN_BELOW = 0.6  # of the clean flow when new
_RUNS_ABOVE_SHARE = 0.2  # of the flow known so far: below it the pump is taken to be off


class Phase(StrEnum):
    """Where learning stands."""

    SETTLING = "settling"
    LEARNING = "learning"
    HELD = "held"


class Learning(msgspec.Struct, frozen=True, gc=False):
    """How to learn: seconds to wait, seconds to average, and the spread that counts as steady."""

    settle_s: float
    learn_s: float
    steady_within: float


class Reference(msgspec.Struct, frozen=True, gc=False):
    """The clean flow in m³/s and how far its learning has come.

    `clean` is the flow to compare with, `measured` whether it was learned in this cycle.
    `steady` is false for a reference taken from an unsteady stretch. `first` is the clean flow
    when the filter was new, for comparison after each cleaning. `below_s` is how long less water
    than that of a running pump was seen.
    """

    phase: Phase = Phase.SETTLING
    spent_s: float = 0.0
    block_sum: float = 0.0
    block_s: float = 0.0
    blocks: tuple[float, ...] = ()
    seen: int = 0
    clean: float | None = None
    measured: bool = False
    steady: bool = True
    first: float | None = None
    learned_line_s: float | None = None
    below_s: float = 0.0

    @property
    def basis(self) -> CleanBasis:
        """Where `clean` comes from; a prediction is known to the pipeline only."""
        if self.clean is None:
            return CleanBasis.NONE
        return CleanBasis.MEASURED if self.measured else CleanBasis.PROVISIONAL


def after_cleaning(old: Reference) -> Reference:
    """Return a reference that learns anew; the old clean flow stands in until it has."""
    return Reference(clean=old.clean, first=old.first)


def learn(
    old: Reference,
    flow_m3_per_s: float,
    span_s: float,
    how: Learning,
    predicted_m3_per_s: float | None,
    line_s: float,
) -> Reference:
    """Return the reference after a trustworthy flow that stands for `span_s` seconds."""
    if old.phase is Phase.HELD:
        return old
    known = old.clean if old.clean is not None else predicted_m3_per_s
    if flow_m3_per_s <= (known or 0.0) * _RUNS_ABOVE_SHARE:
        # The pump is off: that says nothing about clean. But where nothing is known except a first
        # burst, little water for long means that the burst was not the filter.
        below_s = old.below_s + span_s
        unknown = old.first is None and predicted_m3_per_s is None and flow_m3_per_s > 0.0
        if unknown and below_s > _BURST_FORGOTTEN_AFTER * how.learn_s:
            return Reference()
        return msgspec.structs.replace(old, below_s=below_s) if unknown else old
    if old.phase is Phase.SETTLING:
        spent = old.spent_s + span_s
        if spent < how.settle_s:
            return msgspec.structs.replace(old, spent_s=spent)
        old = msgspec.structs.replace(old, phase=Phase.LEARNING, spent_s=0.0)
        if how.settle_s > 0:
            return old
    total, length = old.block_sum + flow_m3_per_s * span_s, old.block_s + span_s
    if length < how.learn_s / _BLOCKS:
        return msgspec.structs.replace(old, block_sum=total, block_s=length)
    return _with_block(old, total / length, how, line_s)


def _with_block(old: Reference, mean: float, how: Learning, line_s: float) -> Reference:
    blocks = (*old.blocks, mean)[-_BLOCKS:]
    seen = old.seen + 1
    average = sum(blocks) / len(blocks)
    if len(blocks) == _BLOCKS:
        steady = max(blocks) - min(blocks) <= how.steady_within * average
        if old.first is not None and average < _NO_CLEAN_BELOW * old.first:
            # Less than any wear explains: something is shut or blocked, and that is not clean.
            return msgspec.structs.replace(
                old, block_sum=0.0, block_s=0.0, blocks=blocks, seen=min(seen, _PATIENCE_BLOCKS - 1)
            )
        if steady or seen >= _PATIENCE_BLOCKS:
            clean = average if steady else sorted(blocks)[_BLOCKS // 2]
            return Reference(
                phase=Phase.HELD,
                clean=clean,
                measured=True,
                steady=steady,
                first=old.first if old.first is not None else clean,
                learned_line_s=line_s,
            )
    # A filter that was clean before keeps its old figure until the new one is there; a new one has
    # nothing else to go by than what was seen so far.
    stand_in = old.clean if old.first is not None else average
    return msgspec.structs.replace(
        old, block_sum=0.0, block_s=0.0, blocks=blocks, seen=seen, clean=stand_in
    )
