"""The work list: which sites to visit on which day of a round, and what leaving one out risks. Pure.

Everything is weighed in minutes of work. A day past the limit costs `day_past_minutes` times the filter's
weight; a visit costs the way to its place (shared by all that is done there that day), the stop at its
site and the work at each filter; a cleaning before its time gives away part of a cycle, and with it that
part of what the cycle's cleaning cost. `monitor.fleet.visits_days` chooses the days.

Over what is left for a later round hangs the middle of the next one, and the cost of coming then, as far
as it is likely to be needed within half a cycle more.

Filters that stand still go first, whatever it costs: on the first day that has room.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import msgspec

from monitor.fleet.messages import Due
from monitor.fleet.visits_chance import (
    ANY,
    OWN,
    Basis,
    Chances,
    Spread,
    flat,
    forecast,
    past,
    usual,
)

_Word = Annotated[
    str,
    msgspec.Meta(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$"),
]
_Days = Annotated[float, msgspec.Meta(ge=0, le=3650)]
_Hours = Annotated[float, msgspec.Meta(ge=0, le=87600)]


class FilterNeed(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the work list must know of one filter.

    Args:
        site, filter: which one.
        place: where the site is; sites of one place share the way there.
        client: whose it is, for people.
        cleaning_due: as the site's state says it, days counted from that state; `None` for none yet.
        age_days: how old that state is.
        past_days: for how long the limit is known to be passed; `None` if it is not.
        stopped_hours: for how long its water has stood; `None` while it runs.
        oxygen_hours: hours after a stop until its water is short of oxygen, soonest and latest.
        share_of_clean: flow as a share of clean flow.
        usual_days: days from one cleaning of this filter to the next, as a rule; `None` if unknown.
        since_cleaned_days: since its last cleaning; `None` if unknown.
        weight: of a day past its limit; 1 for an ordinary tank.
        bring: pads, media, a lamp: one word or phrase a piece.
        minutes: of work at this filter.
    """

    site: _Word
    filter: _Word
    place: _Word
    client: str = ""
    cleaning_due: Due | None = None
    age_days: _Days = 0.0
    past_days: _Days | None = None
    stopped_hours: _Hours | None = None
    oxygen_hours: tuple[_Hours, _Hours] | None = None
    share_of_clean: Annotated[float, msgspec.Meta(ge=0, le=10)] | None = None
    usual_days: Annotated[float, msgspec.Meta(gt=0, le=3650)] | None = None
    since_cleaned_days: _Days | None = None
    weight: Annotated[float, msgspec.Meta(gt=0, le=1000)] = 1.0
    bring: tuple[_Word, ...] = ()
    minutes: Annotated[float, msgspec.Meta(gt=0, le=1440)] = 30.0


class WorkDay(msgspec.Struct, frozen=True):
    """A day on which somebody drives.

    Args:
        date: local, such as `2026-03-03`.
        in_days: days from now until people are at the tanks.
        minutes: of everybody who drives that day, driving included.
        visits: to sites, at the most; `None` for as many as the minutes allow.
    """

    date: str
    in_days: float
    minutes: float
    visits: int | None = None


class Calendar(msgspec.Struct, frozen=True):
    """The days of a round and what work costs there.

    Args:
        days: of this round, in order; may be empty.
        next_date, next_in_days: the first possible day after them.
        round_days: from a day of this round to the same of the next.
        travel_minutes: to a place and on, shared by what is done there on one day.
        stop_minutes: at a site, before and after the work at its filters.
        day_past_minutes: of work that a day past the limit of an ordinary filter is worth.
        cycle_days: from one cleaning to the next, of filters of which nothing is known.
    """

    days: tuple[WorkDay, ...]
    next_date: str
    next_in_days: float
    round_days: float = 7.0
    travel_minutes: float = 25.0
    stop_minutes: float = 10.0
    day_past_minutes: float = 10.0
    # Four to twelve weeks is common practice, no source; this is its geometric middle.
    cycle_days: float = 49.0

    @property
    def later_in_days(self) -> float:
        """When what is left out is done: in the middle of the next round, days from now."""
        if not self.days:
            return self.next_in_days
        middle = sum(d.in_days for d in self.days) / len(self.days)
        return max(self.next_in_days, middle + self.round_days)


class FilterRisk(msgspec.Struct, frozen=True):
    """What is known of one filter of a visit.

    Args:
        filter: which one.
        clean: whether it is to be cleaned at the visit; else it only shares the list.
        basis: what its chances come from.
        chance: of being past its limit when the visit comes.
        chance_postponed: the same a round later, or, for what is left out, on the next possible day.
        past_days_postponed: expected days past its limit that the postponement adds.
        stopped_hours: for how long its water has stood; `None` while it runs.
        gives_away_days: expected days to its limit that a cleaning at the visit gives away.
        why: in words.
    """

    filter: str
    clean: bool
    basis: Basis
    chance: float
    chance_postponed: float
    past_days_postponed: float
    stopped_hours: float | None
    gives_away_days: float
    why: str


class Visit(msgspec.Struct, frozen=True):
    """One site on one day; `rank` 1 is needed most. `risk` is the weighted days that postponing adds."""

    rank: int
    site: str
    place: str
    client: str
    date: str
    minutes: float
    risk: float
    filters: tuple[FilterRisk, ...]
    bring: tuple[str, ...]
    postponing: str


class LeftOut(msgspec.Struct, frozen=True):
    """A site that is not visited though it runs a risk; `short` if only for want of time."""

    site: str
    place: str
    client: str
    short: bool
    risk: float
    filters: tuple[FilterRisk, ...]


class DayPlan(msgspec.Struct, frozen=True):
    """What one day comes to: minutes with the driving, and all that is to be brought."""

    date: str
    places: tuple[str, ...]
    visits: int
    minutes: float
    capacity_minutes: float
    bring: tuple[str, ...]


class Plan(msgspec.Struct, frozen=True):
    """A round.

    Args:
        visits: in order of need.
        days: every day of the round, in order.
        left_out: by risk, the greatest first.
        filters, sites: that were looked at.
        quiet: sites not visited and without a risk worth naming.
        cost, bound: of the plan, and of the best that could exist, minutes.
        said: what people ought to know of this plan.
    """

    visits: tuple[Visit, ...]
    days: tuple[DayPlan, ...]
    left_out: tuple[LeftOut, ...]
    filters: int
    sites: int
    quiet: int
    cost: float
    bound: float
    said: tuple[str, ...]


def spread_of(need: FilterNeed, cycle_days: float) -> Spread:
    """Return the distribution of the time to a filter's limit.

    Args:
        need: the filter.
        cycle_days: of one of which nothing is known.
    """
    if need.past_days is not None:
        return past()
    due = need.cleaning_due
    if due is not None and due.low_days is not None:
        basis = Basis.TREND if due.trend else Basis.CYCLES
        # `fault` holds that there are all three or none.
        median = due.low_days if due.median_days is None else due.median_days
        high = median if due.high_days is None else due.high_days
        return forecast(due.low_days, median, high, need.age_days, basis)
    days = need.usual_days or cycle_days
    if need.since_cleaned_days is None:
        return flat(days)
    return usual(days, need.since_cleaned_days, OWN if need.usual_days else ANY)


def faults(needs: Sequence[FilterNeed]) -> str | None:
    """Return what is wrong with needs that a reader of single lines cannot see, `None` if nothing."""
    seen: dict[tuple[str, str], int] = {}
    places: dict[str, str] = {}
    for number, need in enumerate(needs, 1):
        found = fault(need)
        if (need.site, need.filter) in seen:
            found = f"is there already, as number {seen[need.site, need.filter]}; leave one out"
        seen[need.site, need.filter] = number
        if places.setdefault(need.site, need.place) != need.place:
            found = (
                f"its site is at {places[need.site]!r} and at {need.place!r}; a site has one place"
            )
        if found is not None:
            return f"number {number}, filter {need.filter!r} of site {need.site!r}: {found}"
    return None


def fault(need: FilterNeed) -> str | None:
    """Return what is wrong with one need, `None` if nothing."""
    due = need.cleaning_due
    if due is not None:
        figures = (due.low_days, due.median_days, due.high_days)
        given = [f for f in figures if f is not None]
        if len(given) not in (0, 3):
            return "cleaning_due has some of low_days, median_days, high_days; expected all or none"
        if given != sorted(given) or not all(0 <= f <= 36500 for f in given):
            return "cleaning_due: expected 0 <= low_days <= median_days <= high_days"
    if need.oxygen_hours is not None and need.oxygen_hours[0] > need.oxygen_hours[1]:
        return "oxygen_hours: expected the soonest, then the latest"
    return None


def chances(needs: Sequence[FilterNeed], cycle_days: float) -> Chances:
    """Return the chances of many filters, in their order."""
    return Chances([spread_of(need, cycle_days) for need in needs])
