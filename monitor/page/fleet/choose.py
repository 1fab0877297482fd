"""Which of the sites and alarms somebody sees, finds and gets on one page. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Generic, TypeVar

import msgspec

from monitor.fleet.business import Person, Role, Site
from monitor.fleet.roles import Action, may
from monitor.page.fleet.port import Row, Standing

A_PAGE = 100
LONGEST_SEARCH = 80
_T = TypeVar("_T")


class Asked(msgspec.Struct, frozen=True):
    """What a list is asked for: words to find, only trouble, only mine, which page from 1."""

    words: str = ""
    trouble: bool = False
    mine: bool = False
    page: int = 1


class Part(msgspec.Struct, Generic[_T], frozen=True):
    """One page of a list: what is on it, which one it is, of how many pages and things in all."""

    items: Sequence[_T]
    page: int
    pages: int
    total: int


def asked(query: Mapping[str, str]) -> Asked:
    """Return what an address asks for; what makes no sense is passed over."""
    page = query.get("page", "")
    number = int(page) if page.isascii() and page.isdigit() and len(page) <= 6 else 1
    return Asked(
        query.get("q", "").strip()[:LONGEST_SEARCH],
        query.get("trouble") == "1",
        query.get("mine") == "1",
        max(1, number),
    )


def visible(person: Person, rows: Sequence[Row], own: Sequence[Site]) -> list[Row]:
    """Return the sites that somebody may see.

    Args:
        person: as the books have them now.
        rows: all.
        own: for a client the sites of that client as the books have them now; else not looked at.
    """
    if person.role is not Role.CLIENT:
        return [row for row in rows if may(person, Action.SEE, row.known)]
    theirs = {site.id for site in own if may(person, Action.SEE, site)}
    return [row for row in rows if row.site in theirs]


def found(rows: Sequence[Row], wanted: Asked) -> list[Row]:
    """Return the sites that have every word of the search, and trouble where that is asked for."""
    words = wanted.words.casefold().split()
    return [
        row
        for row in rows
        if all(word in row.find for word in words) and (row.trouble or not wanted.trouble)
    ]


def queue(
    alarms: Sequence[Standing], rows: Mapping[str, Row], wanted: Asked, mine: frozenset[str]
) -> list[Standing]:
    """Return the alarms of visible sites that a search finds.

    Args:
        alarms: all, in the queue's order.
        rows: the visible sites by id.
        wanted: what is asked for.
        mine: keys of the alarms that are assigned to who asks.
    """
    words = wanted.words.casefold().split()
    return [
        one
        for one in alarms
        if one.site in rows
        and (not wanted.mine or one.key in mine)
        and all(
            word in rows[one.site].find or word in one.name.casefold() or word in one.filter
            for word in words
        )
    ]


def part(items: Sequence[_T], page: int) -> Part[_T]:
    """Return a page of a list; one behind the end is the last."""
    pages = max(1, -(-len(items) // A_PAGE))
    page = min(page, pages)
    return Part(items[(page - 1) * A_PAGE : page * A_PAGE], page, pages, len(items))
