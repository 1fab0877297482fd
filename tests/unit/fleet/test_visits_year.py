"""A year of visits on invented lives: a small share of tests/bench/visits.py, with forecasts of a sort.

Here forecasts are the truth with an error drawn apart from it, known from half of a life on; the bench has
the daemon's own estimator in their place.
"""

from __future__ import annotations

import math
import random

import pytest

from monitor.fleet.messages import Due
from tests.bench.visits import best, by_due_date, fixed, work_list
from tests.support.rounds import Course, Fleet, Result, year


@pytest.fixture(scope="module")
def courses() -> list[Course]:
    chance, found = random.Random(8), []
    for _ in range(40):
        due = chance.uniform(20.0, 120.0)
        error = chance.gauss(0.0, 0.25)
        forecasts: list[Due | None] = []
        for day in range(1, int(due) + 1):
            left = (due - day) * math.exp(error * (due - day) / due)
            forecasts.append(None if day < due / 2 else Due(left / 1.4, left, left * 1.4, True))
        found.append(Course(due, tuple(forecasts)))
    return sorted(found, key=lambda c: c.due_days)


def test_fewer_days_past_the_limit_for_the_same_work(courses: list[Course]) -> None:
    def fleet() -> Fleet:
        return Fleet(courses, 60, 20, 5)

    ours = year(fleet(), work_list(480.0, 10.0))
    due = {
        (m, w): year(fleet(), by_due_date(480.0, float(m), float(w)))
        for m in (-4, -2, 0, 3)
        for w in (0, 14)
    }
    even = {
        float(d): year(fleet(), fixed(480.0, lambda _f, _n, d=d: float(d))) for d in (28, 42, 56)
    }

    def hours(result: Result) -> float:
        return result.minutes

    for like in (best(due, hours, ours.minutes)[1], best(even, hours, ours.minutes)[1]):
        print(ours, like)
        assert ours.past_days < like.past_days
    assert ours.past_days < even[28.0].past_days
    assert ours.minutes < even[28.0].minutes
