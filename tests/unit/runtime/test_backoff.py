"""Waits between tries: doubling, capped, spread."""

from __future__ import annotations

import random

import pytest

from monitor.runtime.backoff import Backoff


def longest(low: float, high: float) -> float:
    return high


def test_steps_double_up_to_the_cap() -> None:
    waits = Backoff(1.0, 60.0, draw=longest)
    assert [waits.next_s() for _ in range(9)] == [1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_each_wait_is_drawn_from_the_upper_half_of_its_step() -> None:
    drawn: list[tuple[float, float]] = []

    def draw(low: float, high: float) -> float:
        drawn.append((low, high))
        return low

    waits = Backoff(2.0, 10.0, draw)
    assert [waits.next_s() for _ in range(5)] == [1.0, 2.0, 4.0, 5.0, 5.0]
    assert drawn == [(1.0, 2.0), (2.0, 4.0), (4.0, 8.0), (5.0, 10.0), (5.0, 10.0)]


def test_a_success_begins_anew() -> None:
    waits = Backoff(1.0, 60.0, draw=longest)
    for _ in range(5):
        waits.next_s()
    waits.reset()
    assert [waits.next_s() for _ in range(3)] == [1.0, 2.0, 4.0]


@pytest.mark.parametrize("tries", [1, 10, 1000])
def test_no_wait_is_ever_longer_than_the_cap_or_nothing(tries: int) -> None:
    waits = Backoff(0.5, 30.0)
    found = [waits.next_s() for _ in range(tries)]
    assert all(0.25 <= wait_s <= 30.0 for wait_s in found)


def test_many_sites_do_not_come_back_at_once() -> None:
    draw = random.Random(20260302).uniform
    sites = [Backoff(1.0, 60.0, draw) for _ in range(200)]
    for _ in range(7):
        waits = [site.next_s() for site in sites]
    in_each_tenth = [sum(30 + 3 * n <= wait_s < 33 + 3 * n for wait_s in waits) for n in range(10)]
    assert min(in_each_tenth) > 0
    assert max(in_each_tenth) < 50
    assert len(set(waits)) == 200


def test_one_site_does_not_hurry_another() -> None:
    one, other = Backoff(1.0, 60.0, draw=longest), Backoff(1.0, 60.0, draw=longest)
    for _ in range(5):
        one.next_s()
    assert other.next_s() == 1.0
