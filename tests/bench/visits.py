"""The work list: how fast it is, how near the best, and a year of visits against simpler ways of choosing.

The year (tests/support/rounds.py): 240 sites at 80 places, lives of 19 to 176 days, two people for whom a
week has 4,800 minutes, driving included; then one person. References, in the same run on the same fleet:

- by due date: each Monday the sites whose soonest median falls before the next Monday and a margin, in that
  order onto the days, a place's sites together, at a site every filter due within a window more. Without a
  forecast the median is that of its past cycles, or 49 days from the cleaning. Margins of -6 to 14 days and
  windows of 0 to 28 are tried; taken are those with the fewest days past among those that need no more visits,
  or no more hours, than the work list.
- fixed: every filter every 28 days; and at the best interval that needs no more visits, or hours.
- fixed for each filter: a share of its own mean life, which nobody knows so well; likewise.

Days past the limit are a filter's and year's; a filter is late that was past it by more than two days when it
was cleaned. Nothing of this is known to the planner but the daemon's own forecasts and that a limit is passed.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from statistics import median
from typing import TypeVar

from monitor.fleet.messages import Due
from monitor.fleet.visits import Calendar, FilterNeed, WorkDay
from monitor.fleet.visits_plan import plan
from tests.bench.figure import Figure
from tests.support.rounds import (
    MORNING,
    NOON,
    STOP,
    TRAVEL,
    Chooser,
    Course,
    Fleet,
    Result,
    Task,
    course,
    year,
)

LIVES, SITES, PLACES, SEED = 60, 240, 80, 11
UNKNOWN_DAYS = 49.0
WEEK = tuple(f"2026-03-0{d}" for d in range(2, 7))


def week(minutes: float, price: float) -> Calendar:
    """Monday to Friday, seen on Monday morning."""
    days = tuple(WorkDay(date, at + NOON - MORNING, minutes) for at, date in enumerate(WEEK))
    return Calendar(
        days, "2026-03-09", 7 + NOON - MORNING, travel_minutes=TRAVEL, stop_minutes=STOP,
        day_past_minutes=price, cycle_days=UNKNOWN_DAYS,
    )  # fmt: skip


def work_list(minutes: float, price: float) -> Chooser:
    """Return the program's own way."""
    calendar = week(minutes, price)

    def choose(fleet: Fleet, now: float) -> list[Task]:
        needs = []
        for site in fleet.sites:
            for f in site.filters:
                due, age = fleet.filters[f].forecast_at(now)
                needs.append(
                    FilterNeed(
                        site.name, str(f), site.place, cleaning_due=due, age_days=max(0.0, age),
                        past_days=fleet.filters[f].past_at(now),
                        since_cleaned_days=now - fleet.filters[f].cleaned_at,
                        usual_days=fleet.filters[f].usual_days, minutes=fleet.filters[f].minutes,
                    )
                )  # fmt: skip
        number = {site.name: at for at, site in enumerate(fleet.sites)}
        return [
            (WEEK.index(v.date), number[v.site], tuple(int(f.filter) for f in v.filters if f.clean))
            for v in plan(needs, calendar).visits
        ]

    return choose


def filled(fleet: Fleet, wanted: list[tuple[int, tuple[int, ...]]], minutes: float) -> list[Task]:
    """Put visits onto the days in their order, a place's visits together, as far as the days have room."""
    left, open_days, found = [minutes] * 5, {}, []
    for at, cleaned in wanted:
        site = fleet.sites[at]
        work = STOP + sum(fleet.filters[f].minutes for f in cleaned)
        days = [d for d in open_days.get(site.place, []) if work <= left[d]]
        fresh = [d for d in range(5) if work + TRAVEL <= left[d]]
        if days:
            day = days[0]
        elif fresh:
            day = fresh[0]
            work += TRAVEL
            open_days.setdefault(site.place, []).append(day)
        else:
            continue
        left[day] -= work
        found.append((day, at, cleaned))
    return found


def by_due_date(minutes: float, margin: float, window: float) -> Chooser:
    """Return the way of sorting by the median due date."""

    def date(fleet: Fleet, f: int, now: float) -> float:
        one = fleet.filters[f]
        if one.past_at(now) is not None:
            return -(one.past_at(now) or 0.0)
        due, age = one.forecast_at(now)
        if due is not None and due.median_days is not None:
            return due.median_days - age
        return one.cleaned_at + (one.usual_days or UNKNOWN_DAYS) - now

    def choose(fleet: Fleet, now: float) -> list[Task]:
        dates = [[date(fleet, f, now) for f in s.filters] for s in fleet.sites]
        due = sorted((min(d), at) for at, d in enumerate(dates) if min(d) < 7.0 + margin)
        return filled(
            fleet,
            [
                (at, tuple(f for f, d in zip(fleet.sites[at].filters, dates[at], strict=True) if d < 7.0 + margin + window))
                for _, at in due
            ],
            minutes,
        )  # fmt: skip

    return choose


def fixed(minutes: float, days: Callable[[Fleet, int], float]) -> Chooser:
    """Return the way of fixed intervals; a site is due once any of its filters is."""

    def choose(fleet: Fleet, now: float) -> list[Task]:
        wanted = []
        for at, site in enumerate(fleet.sites):
            left = {f: fleet.filters[f].cleaned_at + days(fleet, f) - now for f in site.filters}
            if min(left.values()) < 3.5:  # the nearest week
                cleaned = tuple(f for f in site.filters if left[f] < 14.0)
                wanted.append((min(left.values()), at, cleaned))
        return filled(fleet, [(at, cleaned) for _, at, cleaned in sorted(wanted)], minutes)

    return choose


_K = TypeVar("_K")


def best(
    results: dict[_K, Result], number: Callable[[Result], float], ours: float
) -> tuple[_K, Result]:
    """Return the setting with the fewest days past of those that need no more of something than ours.

    Two in a hundred more are let pass; where all need more, it is the one that needs least.
    """
    frugal = [r for r in results.items() if number(r[1]) <= 1.02 * ours]
    if frugal:
        return min(frugal, key=lambda r: r[1].past_days)
    return min(results.items(), key=lambda r: number(r[1]))


def pool(lives: int) -> list[Course]:
    """Return lives by length, watched on all cores."""
    with ProcessPoolExecutor() as workers:
        found = [
            c for c in workers.map(course, range(5000, 5000 + lives), chunksize=4) if c is not None
        ]
    return sorted(found, key=lambda c: c.due_days)


def compared(courses: list[Course], minutes: float, name: str) -> list[Figure]:
    """A year under each way, at so many minutes a day."""

    def run(choose: Chooser) -> Result:
        return year(Fleet(courses, SITES, PLACES, SEED), choose)

    ours = run(work_list(minutes, 10.0))
    due = {
        (m, w): run(by_due_date(minutes, float(m), float(w)))
        for m in range(-6, 15, 2)
        for w in (0, 7, 14, 28)
    }
    even = {float(d): run(fixed(minutes, lambda _f, _n, d=d: float(d))) for d in range(21, 100, 3)}
    own = {
        s: run(fixed(minutes, lambda f, n, s=s: s * f.filters[n].mean_days))
        for s in (0.5 + 0.05 * n for n in range(15))
    }
    figures = [_row(name, "every 28 days", ours, run(fixed(minutes, lambda _f, _n: 28.0)), courses)]
    figures.append(_row(name, "by due date, no margin, window 14 days", ours, due[0, 14], courses))
    for what, number in (("visits", lambda r: r.visits), ("hours", lambda r: r.minutes)):
        for results, words in (
            (due, "by due date, margin and window {} days"),
            (even, "every {:.0f} days"),
            (own, "{:.0%} of each filter's own mean life"),
        ):
            setting, result = best(results, number, number(ours))
            like = f"no more {what}: {words.format(setting)}"
            figures.append(_row(name, like, ours, result, courses, judged=True))
    for price in (3.0, 30.0):
        words = f"instead of 10, a day past is worth {price:.0f} minutes"
        figures.append(_row(name, words, ours, run(work_list(minutes, price)), courses))
    return figures


def _row(
    name: str, way: str, ours: Result, other: Result, courses: list[Course], judged: bool = False
) -> Figure:
    ratio = ours.past_days / other.past_days if other.past_days else float("inf")
    target = "days past under 1" if judged else "–"
    return Figure(
        f"{name}; {way}", _words(ours, courses), _words(other, courses), f"{ratio:.2f}", target,
        ratio < 1.0 if judged else True, True,
    )  # fmt: skip


def _words(result: Result, courses: list[Course]) -> str:
    count = len(Fleet(courses, SITES, PLACES, SEED).filters)
    return (
        f"{result.past_days / count:.1f} d, {result.late} late, {result.visits} visits, {result.trips} trips, "
        f"{result.minutes / 60:.0f} h"
    )


def invented(sites: int, places: int, seed: int) -> list[FilterNeed]:
    """Needs of a large fleet, for the clock."""
    chance, found = random.Random(seed), []
    for number in range(sites):
        place = f"place {chance.randrange(places)}"
        for f in range(chance.choice((1, 2, 3))):
            middle, wide = chance.uniform(0.0, 70.0), chance.uniform(1.1, 2.0)
            due = Due(middle / wide, middle, middle * wide * 1.2, chance.random() < 0.6)
            found.append(
                FilterNeed(
                    f"site_{number}", f"f{f}", place, cleaning_due=due if chance.random() < 0.8 else None,
                    stopped_hours=3.0 if chance.random() < 0.005 else None,
                    weight=chance.choice((0.5, 1.0, 3.0)), bring=("floss",), minutes=chance.choice((20.0, 35.0)),
                )
            )  # fmt: skip
    return found


def speed() -> list[Figure]:
    """5,000 sites, with much room and with little."""
    figures = []
    for minutes, name in ((20000.0, "40 people"), (9000.0, "19 people")):
        needs, times = invented(5000, 1500, 3), []
        for _ in range(3):
            began = time.perf_counter()
            found = plan(needs, week(minutes, 10.0))
            times.append(time.perf_counter() - began)
        gap = (found.cost - found.bound) / found.cost
        figures.append(
            Figure(f"work list of 5,000 sites, {len(needs)} filters, {name}, {len(found.visits)} visits",
                   f"{median(times):.2f} s", "–", "–", "5 s", median(times) < 5.0)
        )  # fmt: skip
        figures.append(
            Figure(
                f"its cost above the proven bound, {name}",
                f"{gap:.3%}",
                "–",
                "–",
                "0.5 %",
                gap < 0.005,
                True,
            )
        )
    return figures


def measure() -> list[Figure]:
    """Speed, then a year with two people and with one."""
    figures = speed()
    courses = pool(LIVES)
    figures += compared(courses, 960.0, f"{SITES} sites, 2 people")
    return [*figures, *compared(courses, 480.0, f"{SITES} sites, 1 person")]
