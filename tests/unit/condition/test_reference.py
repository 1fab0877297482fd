"""Clean flow is learned in the first steady stretch, and only in such a one.

Flows and times here are invented; the twelve blocks and ten stretches of patience are figures of
this project, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from statistics import fmean, median_high, median_low

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.condition.reference import Learning, Phase, Reference, after_cleaning, learn
from monitor.records import CleanBasis

CLEAN = 1 / 6000  # 600 L/h in m³/s
HOW = Learning(settle_s=60.0, learn_s=120.0, steady_within=0.05)
BLOCK = 10  # seconds: a twelfth of the stretch


def fed(
    flows: Iterable[float],
    start: Reference | None = None,
    how: Learning = HOW,
    predicted: float | None = None,
    span_s: float = 1.0,
) -> Reference:
    reference = start if start is not None else Reference()
    for second, flow in enumerate(flows, 1):
        reference = learn(reference, flow, span_s, how, predicted, second * span_s)
    return reference


def noise(seed: int, count: int, about: float, by: float) -> list[float]:
    source = random.Random(seed)
    return [about * (1 + by * source.uniform(-1, 1)) for _ in range(count)]


def test_clean_flow_is_the_mean_of_the_stretch_after_settling() -> None:
    settling = noise(1, 60, 0.7 * CLEAN, 0.3)
    stretch = noise(2, 120, CLEAN, 0.02)
    reference = fed(settling + stretch)
    assert reference.phase is Phase.HELD
    assert reference.clean == pytest.approx(fmean(stretch))
    assert reference.basis is CleanBasis.MEASURED
    assert reference.steady
    assert reference.first == reference.clean
    assert reference.learned_line_s == 180.0


def test_nothing_is_held_one_second_earlier() -> None:
    reference = fed([CLEAN] * 179)
    assert reference.phase is Phase.LEARNING
    assert reference.basis is not CleanBasis.MEASURED


def test_nothing_of_the_settling_time_is_learned() -> None:
    settling = fed(noise(3, 59, 5 * CLEAN, 0.5))
    assert (settling.phase, settling.clean) == (Phase.SETTLING, None)
    assert settling.basis is CleanBasis.NONE


def test_learning_may_begin_at_once() -> None:
    reference = fed([CLEAN] * 120, how=Learning(0.0, 120.0, 0.05))
    assert reference.clean == pytest.approx(CLEAN)
    assert reference.phase is Phase.HELD


def test_what_is_held_is_never_moved_by_later_flow() -> None:
    held = fed([CLEAN] * 180)
    assert fed(noise(4, 5000, 1.5 * CLEAN, 0.4), start=held) == held


def test_a_new_filter_shows_what_it_has_seen_so_far_as_provisional() -> None:
    reference = fed([CLEAN] * 60 + [0.9 * CLEAN] * BLOCK + [0.8 * CLEAN] * BLOCK)
    assert reference.basis is CleanBasis.PROVISIONAL
    assert reference.clean == pytest.approx(0.85 * CLEAN)


def test_a_warm_up_ramp_is_slid_over() -> None:
    """Up by 2 % a block for 20 blocks, then level: what is learned is the level, not the ramp."""
    ramp = [CLEAN * (0.6 + 0.02 * block) for block in range(20) for _ in range(BLOCK)]
    reference = fed([0.6 * CLEAN] * 60 + ramp + [CLEAN] * 120)
    assert reference.phase is Phase.HELD
    assert reference.steady
    # The window may end as soon as its blocks agree within 5 %: at most its last bit of ramp is in.
    assert 0.95 * CLEAN < (reference.clean or 0.0) <= CLEAN
    mean_of_all = fmean(ramp + [CLEAN] * 120)
    assert (reference.clean or 0.0) > 1.1 * mean_of_all


def test_an_endless_ramp_within_patience_is_not_learned() -> None:
    ramp = [CLEAN * (1 + 0.01 * block) for block in range(119) for _ in range(BLOCK)]
    assert fed([CLEAN] * 60 + ramp).phase is Phase.LEARNING


def test_the_spread_of_the_blocks_decides_and_not_that_of_the_seconds() -> None:
    """A rotor that ticks between two counts is steady; a pump that surges is not."""
    ticks = [0.9 * CLEAN, 1.1 * CLEAN] * 60
    assert fed([CLEAN] * 60 + ticks).clean == pytest.approx(CLEAN)
    surges = ([0.9 * CLEAN] * BLOCK + [1.1 * CLEAN] * BLOCK) * 6
    assert fed([CLEAN] * 60 + surges).phase is Phase.LEARNING


@pytest.mark.parametrize("off", [0.0, 0.19])
def test_a_stopped_pump_says_nothing_about_clean(off: float) -> None:
    known = fed([CLEAN] * 100)
    assert known.phase is Phase.LEARNING
    after = fed([off * CLEAN] * 100, start=known)
    assert msgspec.structs.replace(after, below_s=0.0) == known


def test_a_burst_before_little_water_is_forgotten_in_the_end() -> None:
    """An air pocket that spins the rotor at the start must not keep a filter unlearned for ever."""
    burst = fed([CLEAN] * 100)
    assert burst.phase is Phase.LEARNING
    after = fed([0.15 * CLEAN] * 2000, start=burst)
    assert after.phase is Phase.HELD
    assert after.clean == pytest.approx(0.15 * CLEAN)


def test_a_pump_that_never_ran_is_never_learned() -> None:
    assert fed([0.0] * 100_000) == Reference()


def test_a_stop_during_learning_leaves_no_mark_on_the_figure() -> None:
    stretch = noise(5, 120, CLEAN, 0.02)
    reference = fed([CLEAN] * 60 + stretch[:55] + [0.0] * 300 + stretch[55:])
    assert reference.clean == pytest.approx(fmean(stretch))


def test_a_prediction_tells_a_new_filter_when_its_pump_is_off() -> None:
    assert fed([0.15 * CLEAN] * 1000, predicted=CLEAN) == Reference()
    assert fed([0.25 * CLEAN] * 180, predicted=CLEAN).phase is Phase.HELD


def test_patience_ends_with_the_median_block_and_says_so() -> None:
    """120 blocks without a steady stretch: the middle of the last twelve, told as unsteady."""
    levels = [random.Random(6 + block).uniform(0.5, 1.5) * CLEAN for block in range(120)]
    seconds = [level for level in levels for _ in range(BLOCK)]
    almost = fed([CLEAN] * 60 + seconds[:-1])
    assert almost.phase is Phase.LEARNING
    reference = fed([CLEAN] * 60 + seconds)
    assert reference.phase is Phase.HELD
    assert not reference.steady
    low, high = median_low(levels[-12:]), median_high(levels[-12:])
    assert low * (1 - 1e-9) <= (reference.clean or 0.0) <= high * (1 + 1e-9)
    assert reference.basis is CleanBasis.MEASURED


def test_the_median_is_not_moved_by_a_few_wild_blocks() -> None:
    levels = [CLEAN, 3 * CLEAN, CLEAN, CLEAN, 0.6 * CLEAN, CLEAN] * 20
    reference = fed([CLEAN] * 60 + [level for level in levels for _ in range(BLOCK)])
    assert not reference.steady
    assert reference.clean == pytest.approx(CLEAN)


def test_a_cleaning_keeps_the_old_figure_as_provisional_until_a_new_one_is_held() -> None:
    new = fed([CLEAN] * 180)
    again = after_cleaning(new)
    assert (again.phase, again.clean, again.basis) == (
        Phase.SETTLING,
        new.clean,
        CleanBasis.PROVISIONAL,
    )
    for seconds in (59, 60, 100, 179):
        going = fed([0.9 * CLEAN] * seconds, start=again)
        assert (going.clean, going.basis) == (new.clean, CleanBasis.PROVISIONAL)
    held = fed([0.9 * CLEAN] * 180, start=again)
    assert held.clean == pytest.approx(0.9 * CLEAN)
    assert held.basis is CleanBasis.MEASURED


def test_the_figure_of_the_new_filter_is_kept_over_cleanings() -> None:
    first = fed([CLEAN] * 180)
    second = fed([0.9 * CLEAN] * 180, start=after_cleaning(first))
    third = fed([0.8 * CLEAN] * 180, start=after_cleaning(second))
    assert third.first == first.clean
    assert third.clean == pytest.approx(0.8 * CLEAN)


@given(
    level=st.floats(0.01, 100.0),
    span_s=st.sampled_from([0.5, 1.0, 2.0, 5.0, 10.0]),
    seed=st.integers(0, 10**6),
)
@settings(max_examples=100, deadline=None)
def test_the_stretch_is_learned_whatever_its_level_and_the_length_of_readings(
    level: float, span_s: float, seed: int
) -> None:
    flows = noise(seed, int(180 / span_s), level * CLEAN, 0.02)
    reference = fed(flows, span_s=span_s)
    assert reference.clean == pytest.approx(fmean(flows[int(60 / span_s) :]))


@given(
    flows=st.lists(st.floats(0.0, 100 * CLEAN), max_size=300),
    span_s=st.floats(1e-6, 1e9),
)
@settings(max_examples=150, deadline=None)
def test_clean_flow_lies_within_what_was_seen(flows: list[float], span_s: float) -> None:
    reference = fed(flows, span_s=span_s)
    if reference.clean is not None:
        assert math.isfinite(reference.clean)
        assert min(flows) * (1 - 1e-9) <= reference.clean <= max(flows) * (1 + 1e-9)
