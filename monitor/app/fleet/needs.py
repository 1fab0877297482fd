"""What the work list must know of every filter: from the memory of the fleet and the books."""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

import msgspec

from monitor.fleet.business import Consequence, FilterFacts, Site, Standing
from monitor.fleet.lessons import Record
from monitor.fleet.messages import Due, utc_s
from monitor.fleet.view import FilterView, SiteView, site_view
from monitor.fleet.visits import FilterNeed
from monitor.hub.books.books import Books
from monitor.hub.state import State

_DAY_S, _HOUR_S = 86400.0, 3600.0
_AT_ONCE = 1000
# Common practice, no source: what a business says itself of a tank counts double or half.
_WEIGHTS = {Consequence.LOW: 0.5, Consequence.NORMAL: 1.0, Consequence.HIGH: 2.0}
_STOPPED, _DUE = "flow-stopped", "cleaning-due"
# Hours of light a day, to tell when a lamp's hours are up; a lamp of ours burns all the time.
_LAMP_H_A_DAY = 24.0
_NO_PLACE = "place not known"


def needs(
    state: State, books: Books, now_utc_s: float, clients: Collection[str] = ()
) -> list[FilterNeed]:
    """Return every filter that the business looks after.

    Args:
        state: the memory of the fleet.
        books: clients, places, what stands in a filter.
        now_utc_s: the hub's clock.
        clients: only these, empty for all.

    Raises:
        StateError: Redis cannot be read.
        StorageError: the books cannot be read.
    """
    sites = [
        one
        for one in books.sites.all()
        if one.standing is Standing.ENROLLED and (not clients or one.client in clients)
    ]
    facts = {(one.site, one.filter): one for one in books.filters.all()}
    found: list[FilterNeed] = []
    for at in range(0, len(sites), _AT_ONCE):
        page = sites[at : at + _AT_ONCE]
        registers = state.many_registers([one.id for one in page])
        for site, fields in zip(page, registers, strict=True):
            found += _of_site(site, site_view(site.id, fields), facts, now_utc_s)
    return found


class HubNeeds:
    """The needs as the hub knows them, for whoever plans.

    Args:
        state, books, now_utc_s, clients: as for `needs`.
    """

    def __init__(
        self, state: State, books: Books, now_utc_s: float, clients: Collection[str] = ()
    ) -> None:
        self._of = (state, books, now_utc_s, clients)

    def needs(self) -> Sequence[FilterNeed]:
        """Return the need of every filter once.

        Raises:
            StateError, StorageError: they cannot be read.
        """
        return needs(*self._of)


def records(state: State, books: Books) -> list[Record]:
    """Return what is on record of every filter's cleanings, for what they teach.

    Raises:
        StateError, StorageError: they cannot be read.
    """
    facts = {(one.site, one.filter): one for one in books.filters.all()}
    heard = state.heard()
    sites = sorted(heard)
    found: list[Record] = []
    for at in range(0, len(sites), _AT_ONCE):
        page = sites[at : at + _AT_ONCE]
        for site, fields in zip(page, state.many_registers(page), strict=True):
            for one in site_view(site, fields).filters:
                known = facts.get((site, one.name))
                cleaned = tuple(c.utc_s for c in one.cleanings)
                # Of a site that was not heard since the memory was filled, the last word counts.
                until = max(heard[site], one.state_utc_s or 0.0, *cleaned, *one.limit_utc_s, 0.0)
                found.append(
                    Record(
                        site,
                        one.name,
                        cleaned,
                        until,
                        known.media_card if known else "",
                        known.consequence.value if known else "",
                        one.limit_utc_s,
                    )
                )
    return found


def _of_site(
    site: Site,
    view: SiteView,
    facts: Mapping[tuple[str, str], FilterFacts],
    now_utc_s: float,
) -> list[FilterNeed]:
    seen = {one.name: one for one in view.filters}
    # A filter that the books know and nobody has heard of must not fall off the list.
    names = sorted(seen.keys() | {name for of, name in facts if of == site.id})
    return [
        _of_filter(site, name, seen.get(name), facts.get((site.id, name)), now_utc_s)
        for name in names
    ]


def _of_filter(
    site: Site, name: str, seen: FilterView | None, facts: FilterFacts | None, now_utc_s: float
) -> FilterNeed:
    state: Mapping[str, Any] = seen.state if seen is not None else {}
    alarms = seen.alarms if seen is not None else {}
    at_s = seen.state_utc_s if seen is not None else None
    due = state.get("cleaning_due")
    share = state.get("share_of_clean")
    cleaned = [one.utc_s for one in seen.cleanings] if seen is not None else []
    return FilterNeed(
        site=site.id,
        filter=name,
        place=site.place or _NO_PLACE,
        client=site.client,
        cleaning_due=None if due is None else msgspec.convert(due, Due),
        age_days=0.0 if at_s is None else _days(now_utc_s - at_s),
        past_days=_since(alarms.get(_DUE), now_utc_s, _DAY_S),
        stopped_hours=_since(alarms.get(_STOPPED), now_utc_s, _HOUR_S),
        share_of_clean=None if share is None else min(10.0, max(0.0, share)),
        usual_days=usual_days(cleaned),
        since_cleaned_days=_days(now_utc_s - cleaned[-1]) if cleaned else None,
        weight=_WEIGHTS[facts.consequence] if facts is not None else 1.0,
        bring=to_bring(facts, now_utc_s) if facts is not None else (),
    )


def _since(alarm: Mapping[str, Any] | None, now_utc_s: float, unit_s: float) -> float | None:
    """For how long the condition of an alarm has stood, `None` while it does not."""
    if alarm is None or not alarm.get("active"):
        return None
    since = alarm.get("since") or alarm.get("time")
    longest = 3650.0 * _DAY_S / unit_s
    return 0.0 if since is None else min(longest, max(0.0, (now_utc_s - utc_s(since)) / unit_s))


def _days(seconds: float) -> float:
    return min(3650.0, max(0.0, seconds / _DAY_S))


def usual_days(cleaned_utc_s: Sequence[float]) -> float | None:
    """Return how long from one cleaning to the next as a rule: the median, `None` before the second.

    What followed within a day was one cleaning in two goes.
    """
    gaps = [(later - earlier) / _DAY_S for earlier, later in itertools.pairwise(cleaned_utc_s)]
    gaps = [min(3650.0, gap) for gap in gaps if gap > 1.0]
    return statistics.median(gaps) if gaps else None


def to_bring(facts: FilterFacts, now_utc_s: float) -> tuple[str, ...]:
    """Return what a visit to this filter wants: pads, media, a lamp whose hours will be up in two weeks."""
    wanted = [f"pads {facts.pads}" if facts.pads else "", facts.bring]
    if facts.lamp_installed and facts.lamp_rated_h is not None:
        new = datetime.combine(date.fromisoformat(facts.lamp_installed), datetime.min.time(), UTC)
        burnt_h = (now_utc_s - new.timestamp()) / _DAY_S * _LAMP_H_A_DAY
        if burnt_h >= facts.lamp_rated_h - 14.0 * _LAMP_H_A_DAY:
            wanted.append(f"UV lamp ({facts.lamp_rated_h:.0f} h are up)")
    return tuple(text[:80] for text in wanted if text)
