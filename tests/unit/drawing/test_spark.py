"""A standstill never looks like a trickle, a gap never like a standstill."""

from __future__ import annotations

import pytest

from monitor.drawing.spark import BLOCKS, GAP, PLAIN, spark


@pytest.mark.parametrize("plain", [False, True])
def test_a_stop_a_trickle_and_a_gap_are_three_things(plain: bool) -> None:
    steps = PLAIN if plain else BLOCKS
    stop, trickle, gap, full = spark([0.0, 0.001, None, 1.0], 0.0, 1.0, plain)
    assert (stop, trickle, gap, full) == (steps[0], steps[1], GAP, steps[7])


def test_it_rises_with_the_value() -> None:
    drawn = spark([n / 100 for n in range(101)], 0.0, 1.0)
    assert [BLOCKS.index(c) for c in drawn] == sorted(BLOCKS.index(c) for c in drawn)
    assert set(drawn) == set(BLOCKS)


def test_without_a_floor_the_lowest_character_is_the_lowest_value() -> None:
    assert spark([24.0, 26.0, 30.0], 24.0, 26.0, floor=False) == BLOCKS[0] + BLOCKS[7] * 2


def test_nothing_but_zero_is_a_flat_line() -> None:
    assert spark([0.0, 0.0], 0.0, 0.0) == BLOCKS[0] * 2
