"""A year of an invented fleet under one way of choosing visits, for tests/bench/visits.py.

What is true comes from tests/support/lives.py, physics that shares no equation with the estimator but
conservation: when each filter's true flow is down to three quarters. What the planner sees is what the
daemon's own `condition.pipeline.step` made of that life's flow, day by day, without a look ahead. A filter
has lives of about one length, one after another; a cleaning begins the next. That a filter is past its
limit is known from then on, as its alarm says so. Nothing stops, every site is heard.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import NamedTuple

from monitor.condition.cycle import CyclePlan
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan, ConditionState, outlook, step
from monitor.condition.reference import Learning
from monitor.fleet.messages import Due
from monitor.records import FlowReading, Moment
from tests.support.lives import live

DAY_S, MINUTE_S = 86400.0, 60.0


class Course(NamedTuple):
    """One life: days until it is due in truth, and what was forecast at the end of each day."""

    due_days: float
    forecasts: tuple[Due | None, ...]


def course(seed: int) -> Course | None:
    """Let the daemon's own estimator watch one life; `None` for one that is not due in 180 days."""
    life = live(seed)
    if life.due_minute is None:
        return None
    plan = ConditionPlan(
        "x", Sensor(450e3, 1e-3), Learning(600.0, 3600.0, 0.06), life.clean_l_per_h / 3.6e6, CyclePlan()
    )  # fmt: skip
    state, found = ConditionState(), []
    for minute in range(life.due_minute):
        reading = FlowReading("x", MINUTE_S, life.flows[minute] / 3.6e6)
        now_s = MINUTE_S * (minute + 1)
        state = step(state, plan, (reading,), Moment(now_s, now_s))[0]
        if (minute + 1) % 1440 == 0:
            found.append(_due(state))
    return Course(life.due_minute / 1440, tuple(found))


def _due(state: ConditionState) -> Due | None:
    ahead = outlook(state)
    if ahead is None:
        return None
    days = [None if t is None else t / DAY_S for t in (ahead.low_s, ahead.median_s, ahead.high_s)]
    return Due(*days, ahead.trend)


class Tank(NamedTuple):
    """What stands at a site: its filters by number, and the place."""

    name: str
    place: str
    filters: tuple[int, ...]


class Filter:
    """One filter as time goes on; times are days since the simulation began."""

    def __init__(
        self, pool: Sequence[Course], rank: int, chance: random.Random, minutes: float
    ) -> None:
        self._pool, self._rank, self._chance = pool, rank, chance
        self.minutes = minutes
        self.seen: list[float] = []
        self.life = self._next()
        self.cleaned_at = -chance.uniform(0.0, 0.9 * self.life.due_days)
        near = pool[max(0, rank - 4) : rank + 5]
        self.mean_days = sum(c.due_days for c in near) / len(near)

    def _next(self) -> Course:
        """A life of about this filter's length."""
        at = self._rank + self._chance.randint(-4, 4)
        return self._pool[min(len(self._pool) - 1, max(0, at))]

    def past_at(self, now: float) -> float | None:
        """For how long it has been past its limit, `None` if it is not."""
        over = now - self.cleaned_at - self.life.due_days
        return over if over > 0 else None

    def forecast_at(self, now: float) -> tuple[Due | None, float]:
        """The newest forecast and its age in days."""
        age = now - self.cleaned_at
        day = min(int(age), len(self.life.forecasts))
        return (None, 0.0) if day < 1 else (self.life.forecasts[day - 1], age - day)

    def clean(self, now: float) -> float:
        """Begin the next life; return how many days it was past its limit."""
        over = self.past_at(now)
        due, age = self.forecast_at(now)
        left = 0.0 if due is None or due.median_days is None else due.median_days - age
        lasted = now - self.cleaned_at
        self.seen.append(lasted - over if over is not None else lasted + max(0.0, left))
        self.cleaned_at, self.life = now, self._next()
        return over or 0.0

    @property
    def usual_days(self) -> float | None:
        """What its past cycles tell: the middle of when each was, or would have been, due; as was seen."""
        return sorted(self.seen)[len(self.seen) // 2] if len(self.seen) > 1 else None


class Fleet:
    """Sites, places and filters, all from a seed.

    Args:
        pool: lives by length.
        sites, places: how many.
        seed: of everything that is drawn.
    """

    def __init__(self, pool: Sequence[Course], sites: int, places: int, seed: int) -> None:
        chance = random.Random(seed)
        self.filters: list[Filter] = []
        self.sites: list[Tank] = []
        for number in range(sites):
            first, count = len(self.filters), chance.choice((1, 1, 2, 2, 3))
            own = chance.randrange(len(pool))
            for _ in range(count):
                # Filters of one room are alike, but not the same.
                rank = min(len(pool) - 1, max(0, own + chance.randint(-10, 10)))
                generator = random.Random(chance.random())
                self.filters.append(
                    Filter(pool, rank, generator, chance.choice((20.0, 30.0, 40.0)))
                )
            place = f"place {chance.randrange(places)}"
            self.sites.append(Tank(f"site_{number}", place, tuple(range(first, first + count))))


Task = tuple[int, int, tuple[int, ...]]
"""A visit: day of the week from 0, number of the site, filters that are cleaned."""
Chooser = Callable[[Fleet, float], list[Task]]


class Result(NamedTuple):
    """What a year came to."""

    past_days: float
    late: int  # cleanings of filters that were past their limit by more than two days by then
    visits: int
    trips: int
    cleanings: int
    minutes: float


WARM_WEEKS, WEEKS = 10, 52
NOON, MORNING = 0.5, 7 / 24
TRAVEL, STOP = 25.0, 10.0


def year(fleet: Fleet, choose: Chooser) -> Result:
    """Let a fleet run under one way of choosing: on Monday morning, for Monday to Friday at noon."""
    past, visits, trips, cleanings, minutes = 0.0, 0, 0, 0, 0.0
    late = 0
    for week in range(WARM_WEEKS + WEEKS):
        monday = 7.0 * week
        if week == WARM_WEEKS:
            past = -_standing(fleet, monday)  # what had gathered before does not count
            visits, trips, cleanings, minutes = 0, 0, 0, 0.0
            late = 0
        seen: set[tuple[int, str]] = set()
        for day, at, cleaned in sorted(choose(fleet, monday + MORNING)):
            site = fleet.sites[at]
            visits += 1
            minutes += STOP + sum(fleet.filters[f].minutes for f in cleaned)
            if (day, site.place) not in seen:
                seen.add((day, site.place))
                trips += 1
                minutes += TRAVEL
            for f in cleaned:
                over = fleet.filters[f].clean(monday + day + NOON)
                past += over
                cleanings += 1
                if over > 2.0:
                    late += 1
    past += _standing(fleet, 7.0 * (WARM_WEEKS + WEEKS))
    return Result(past, late, visits, trips, cleanings, minutes)


def _standing(fleet: Fleet, now: float) -> float:
    """Days past the limit that stand when nobody has come yet."""
    return sum(f.past_at(now) or 0.0 for f in fleet.filters)
