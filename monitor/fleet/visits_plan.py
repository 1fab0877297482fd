"""Makes the plan of a round from needs and calendar: costs, choice, and what is said of it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.fleet.visits import (
    Calendar,
    DayPlan,
    FilterNeed,
    FilterRisk,
    LeftOut,
    Plan,
    Visit,
    chances,
    faults,
)
from monitor.fleet.visits_chance import Chances, Days
from monitor.fleet.visits_days import MOST_DAYS, NEVER, Choice, Problem, choose
from monitor.fleet.visits_words import day_after, early, gathered, postponing, said, why

_NAMED = 0.10  # a site that is left out is named from this chance on


class _Site(NamedTuple):
    """A site: numbers of its filters, the most pressing first, and how many of them stand still."""

    name: str
    place: int
    filters: list[int]
    stopped: int


def plan(needs: Sequence[FilterNeed], calendar: Calendar) -> Plan:
    """Return the plan of a round.

    Args:
        needs: every filter once; a site has one place.
        calendar: of at most seven days.

    Raises:
        ValueError: the needs are not as described, or the calendar is longer.
    """
    wrong = faults(needs)
    if wrong is not None or len(calendar.days) > MOST_DAYS:
        raise ValueError(wrong or f"{len(calendar.days)} days, at the most {MOST_DAYS}")
    costs = _Costs(needs, calendar)
    problem = costs.problem(_forced(costs))
    kept = np.flatnonzero(
        (problem.later >= NEVER) | (problem.cost.min(axis=(1, 2), initial=NEVER) < problem.later)
    )
    # Nothing that a site left aside could do is cheaper than leaving it, whatever else is planned.
    part = problem._replace(
        cost=problem.cost[kept], minutes=problem.minutes[kept], later=problem.later[kept],
        place=np.unique(problem.place[kept], return_inverse=True)[1],
    )  # fmt: skip
    return _Writer(costs, problem, kept, choose(part)).written()


class _Costs:
    """What each filter and each site costs on each day, in minutes; filters as numbered by the needs."""

    def __init__(self, needs: Sequence[FilterNeed], calendar: Calendar) -> None:
        self.needs, self.calendar = needs, calendar
        self.chances: Chances = chances(needs, calendar.cycle_days)
        self.minutes = np.array([n.minutes for n in needs])
        self.cycle = np.array([n.usual_days or calendar.cycle_days for n in needs])
        places = sorted({n.place for n in needs})
        self.place_of = {place: at for at, place in enumerate(places)}
        self._weigh()
        self.sites = self._sites()

    def _weigh(self) -> None:
        """Costs of each filter: cleaned on a day, and left for later."""
        c, needs = self.calendar, self.needs
        price = np.array([n.weight for n in needs]) * c.day_past_minutes
        site_filters = _counts([n.site for n in needs])
        sites_at = _counts([n.place for n in {n.site: n for n in needs}.values()])
        at_place = np.array([sites_at[n.place] for n in needs])
        # So many of a place's sites fall due in one round on average and share the way.
        self.way = c.travel_minutes / np.maximum(1.0, at_place * c.round_days / self.cycle)
        own = self.minutes + (c.stop_minutes + self.way) / np.array(
            [site_filters[n.site] for n in needs]
        )
        rate = own / self.cycle
        self.on_day = np.zeros((len(needs), len(c.days)))
        for at, day in enumerate(c.days):
            gone = self.chances.unused_days(day.in_days, self.cycle)
            self.on_day[:, at] = price * self.chances.past_days(day.in_days) + rate * gone
        self.needed = self.chances.before(c.later_in_days + self.cycle / 2.0)
        self.later = price * self.chances.past_days(c.later_in_days) + self.minutes * self.needed

    def _sites(self) -> list[_Site]:
        """All sites by place and name, their filters the most pressing first."""
        of: dict[str, list[int]] = {}
        for at, need in enumerate(self.needs):
            of.setdefault(need.site, []).append(at)
        gain = self.later - (self.on_day.mean(axis=1) if self.calendar.days else 0.0)
        found = []
        for site, filters in of.items():
            filters.sort(
                key=lambda f: (self.needs[f].stopped_hours is None, -gain[f] / self.minutes[f])
            )
            stopped = sum(self.needs[f].stopped_hours is not None for f in filters)
            found.append(_Site(site, self.place_of[self.needs[filters[0]].place], filters, stopped))
        return sorted(found, key=lambda s: (s.place, s.name))

    def problem(self, forced: dict[str, int]) -> Problem:
        """Return what is to be chosen from.

        Args:
            forced: the day of each site where a filter stands still; -1 where no day has room.
        """
        c, days = self.calendar, len(self.calendar.days)
        depths = max((len(s.filters) for s in self.sites), default=1)
        cost = np.full((len(self.sites), days, depths), NEVER)
        minutes = np.zeros((len(self.sites), depths))
        later = np.zeros(len(self.sites))
        for at, site in enumerate(self.sites):
            f = site.filters
            worked = np.cumsum(self.minutes[f])
            minutes[at, : len(f)] = c.stop_minutes + worked
            cleaned = np.cumsum(self.on_day[f], axis=0)
            left = np.append(np.cumsum(self.later[f][::-1])[::-1], 0.0)
            again = np.append(np.maximum.accumulate(self.needed[f][::-1])[::-1], 0.0)
            again *= c.stop_minutes + self.way[f[0]]
            cost[at, :, : len(f)] = (
                cleaned + (minutes[at, : len(f)] + left[1:] + again[1:])[:, None]
            ).T
            later[at] = left[0] + again[0]
            if site.name in forced:
                self._bind(cost, later, at, forced[site.name])
        places = np.array([s.place for s in self.sites], dtype=np.int64)
        room_visits = [float(len(self.sites) if d.visits is None else d.visits) for d in c.days]
        room_minutes = [float(d.minutes) for d in c.days]
        return Problem(
            cost, minutes, later, places, c.travel_minutes,
            np.array(room_minutes), np.array(room_visits),
        )  # fmt: skip

    def _bind(self, cost: Days, later: Days, at: int, day: int) -> None:
        """Allow nothing but that the filters that stand still are seen to on their day."""
        if day < 0:
            cost[at] = NEVER
            return
        cost[at, :day] = cost[at, day + 1 :] = NEVER
        cost[at, :, : self.sites[at].stopped - 1] = NEVER
        later[at] = NEVER


def _counts(words: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for word in words:
        found[word] = found.get(word, 0) + 1
    return found


def _forced(costs: _Costs) -> dict[str, int]:
    """The first day with room for each site where a filter stands still; the gravest chooses first."""
    c = costs.calendar
    room = [d.minutes for d in c.days]
    seats = [float("inf") if d.visits is None else float(d.visits) for d in c.days]
    there: set[tuple[int, int]] = set()
    forced: dict[str, int] = {}
    for site in sorted((s for s in costs.sites if s.stopped), key=lambda s: _gravity(costs, s)):
        work = c.stop_minutes + float(costs.minutes[site.filters[: site.stopped]].sum())
        forced[site.name] = -1
        for day in range(len(c.days)):
            asked = work + (0.0 if (site.place, day) in there else c.travel_minutes)
            if asked <= room[day] and seats[day] >= 1:
                room[day], seats[day] = room[day] - asked, seats[day] - 1
                there.add((site.place, day))
                forced[site.name] = day
                break
    return forced


def _gravity(costs: _Costs, site: _Site) -> tuple[float, float, str]:
    """Sorts stopped sites: by weight, then by how far beyond the soonest want of oxygen."""
    needs = [costs.needs[f] for f in site.filters[: site.stopped]]
    beyond = max(
        (n.stopped_hours or 0.0) - (n.oxygen_hours[0] if n.oxygen_hours else 0.0) for n in needs
    )
    return -sum(n.weight for n in needs), -beyond, site.name


class _Writer:
    """Writes a choice down as people need it."""

    def __init__(
        self, costs: _Costs, problem: Problem, kept: NDArray[np.intp], choice: Choice
    ) -> None:
        self.costs, self.calendar, self.problem, self.choice = (
            costs,
            costs.calendar,
            problem,
            choice,
        )
        self.day = np.full(len(costs.sites), -1)
        self.depth = np.zeros(len(costs.sites), dtype=np.int64)
        self.day[kept], self.depth[kept] = choice.day, choice.depth
        c = self.calendar
        self.now = np.zeros((len(costs.needs), len(c.days) + 1))
        self.then, self.more, self.gives = (np.zeros_like(self.now) for _ in range(3))
        ahead = [(d.in_days, d.in_days + c.round_days) for d in c.days]
        for at, (when, later) in enumerate([*ahead, (0.0, c.next_in_days)]):
            self.now[:, at] = costs.chances.before(when)
            self.then[:, at] = costs.chances.before(later)
            self.more[:, at] = costs.chances.past_days(later) - costs.chances.past_days(when)
            self.gives[:, at] = costs.chances.unused_days(when, costs.cycle)

    def written(self) -> Plan:
        """Return the plan."""
        going = np.flatnonzero(self.day >= 0)
        visits = sorted((self._visit(int(at)) for at in going), key=_order)
        visits = [_ranked(v, rank) for rank, v in enumerate(visits, 1)]
        rest = np.flatnonzero(self.day < 0)
        left = [self._left(int(at)) for at in rest]
        named = [x for x in left if x.short or _worth_naming(x)]
        named.sort(key=lambda x: (all(f.stopped_hours is None for f in x.filters), -x.risk, x.site))
        days = tuple(self._day(at, visits) for at in range(len(self.calendar.days)))
        aside = float(self.problem.later.sum() - self.problem.later[self.day >= 0].sum())
        chosen = float(self.problem.cost[going, self.day[going], self.depth[going]].sum())
        trips = sum(len(d.places) for d in days) * self.calendar.travel_minutes
        total = aside + chosen + trips
        bound = total - max(0.0, self.choice.cost - self.choice.bound)
        needs = self.costs.needs
        return Plan(
            tuple(visits), days, tuple(named), len(needs), len(self.costs.sites),
            len(left) - len(named), round(total, 1), round(bound, 1),
            said(needs, self.calendar, visits, named, self.costs.chances.basis),
        )  # fmt: skip

    def _risks(self, at: int, day: int, depth: int) -> tuple[FilterRisk, ...]:
        site, c, found = self.costs.sites[at], self.calendar, []
        until = day_after(c.days[day].date, round(c.round_days)) if day >= 0 else c.next_date
        for number, f in enumerate(site.filters):
            need, basis = self.costs.needs[f], self.costs.chances.basis[f]
            clean = day >= 0 and number <= depth
            then, gives = float(self.then[f, day]), float(self.gives[f, day])
            found.append(
                FilterRisk(
                    need.filter, clean, basis, round(float(self.now[f, day]), 4), round(then, 4),
                    round(float(self.more[f, day]), 3), need.stopped_hours,
                    round(gives, 1) if clean else 0.0,
                    why(need, basis, then, until, c.cycle_days) + (early(then, gives) if clean else ""),
                )
            )  # fmt: skip
        return tuple(found)

    def _risk(self, at: int, day: int) -> float:
        """Weighted days past the limit that postponing adds; for what stands still, whole days."""
        total = 0.0
        for f in self.costs.sites[at].filters:
            need = self.costs.needs[f]
            still = self.calendar.round_days if need.stopped_hours is not None else 0.0
            total += need.weight * max(float(self.more[f, day]), still)
        return round(total, 3)

    def _visit(self, at: int) -> Visit:
        day, depth = int(self.day[at]), int(self.depth[at])
        site, c = self.costs.sites[at], self.calendar
        needs = [self.costs.needs[f] for f in site.filters]
        risks = self._risks(at, day, depth)
        bring = gathered([word for n in needs[: depth + 1] for word in n.bring])
        return Visit(
            0, site.name, needs[0].place, needs[0].client, c.days[day].date,
            float(self.problem.minutes[at, depth]), self._risk(at, day), risks, bring,
            postponing(risks, day_after(c.days[day].date, round(c.round_days))),
        )  # fmt: skip

    def _left(self, at: int) -> LeftOut:
        site = self.costs.sites[at]
        need = self.costs.needs[site.filters[0]]
        cheapest = float(self.problem.cost[at].min(initial=NEVER)) + self.calendar.travel_minutes
        short = bool(site.stopped) or cheapest < float(self.problem.later[at])
        return LeftOut(
            site.name, need.place, need.client, short, self._risk(at, -1), self._risks(at, -1, -1)
        )

    def _day(self, at: int, visits: Sequence[Visit]) -> DayPlan:
        day = self.calendar.days[at]
        mine = [v for v in visits if v.date == day.date]
        places = tuple(sorted({v.place for v in mine}))
        minutes = sum(v.minutes for v in mine) + len(places) * self.calendar.travel_minutes
        chosen = {v.site: v for v in mine}
        words: list[str] = []
        for where in np.flatnonzero(self.day == at):
            site = self.costs.sites[int(where)]
            if site.name in chosen:
                for f in site.filters[: int(self.depth[where]) + 1]:
                    words += self.costs.needs[f].bring
        return DayPlan(day.date, places, len(mine), round(minutes, 1), day.minutes, gathered(words))


def _order(visit: Visit) -> tuple[bool, float, str]:
    return all(f.stopped_hours is None for f in visit.filters), -visit.risk, visit.site


def _ranked(visit: Visit, rank: int) -> Visit:
    return Visit(rank, *(getattr(visit, name) for name in Visit.__struct_fields__[1:]))


def _worth_naming(left: LeftOut) -> bool:
    return any(f.stopped_hours is not None or f.chance_postponed >= _NAMED for f in left.filters)
