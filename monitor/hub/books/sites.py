"""Sites in the books, and what stands in their filters."""

from __future__ import annotations

import math
import re
import sqlite3
from typing import Any

from monitor.errors import UserMistake
from monitor.fleet.business import Consequence, FilterFacts, Site, Standing
from monitor.hub.books import checks
from monitor.hub.books.link import Link
from monitor.hub.books.trail import note

_SITE = "id, client, name, place, standing, enrolled_utc_s, revoked_utc_s"
_FACTS = "site, filter, media_card, pads, bring, lamp_installed, lamp_rated_h, consequence, note"
_DAY = r"^\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$"


class Sites:
    """The places where boards stand."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def all(self, client: str | None = None) -> list[Site]:
        """Return every site, or those of a client, by id; revoked ones too."""
        with self._link.reading() as link:
            rows = link.execute(
                f"SELECT {_SITE} FROM sites WHERE ?1 IS NULL OR client = ?1 ORDER BY id", (client,)
            ).fetchall()
        return [_site(row) for row in rows]

    def find(self, site: str) -> Site | None:
        """Return one as the books have it now, `None` for none of that id."""
        with self._link.reading() as link:
            row = link.execute(f"SELECT {_SITE} FROM sites WHERE id = ?", (site,)).fetchone()
        return None if row is None else _site(row)

    def get(self, site: str) -> Site:
        """Return one.

        Raises:
            UserMistake: none of that id.
        """
        with self._link.reading() as link:
            checks.known(link, "site", site)
            row = link.execute(f"SELECT {_SITE} FROM sites WHERE id = ?", (site,)).fetchone()
        return _site(row)

    def may_enrol(self, site: str, client: str) -> Site | None:
        """See whether a site may be enrolled for a client; return what the books have of it.

        Raises:
            UserMistake: it is enrolled, or it was another client's: their history bears its id.
        """
        checks.an_id("site", site)
        with self._link.reading() as link:
            return _enrollable(link, site, client)

    def enrol(self, site: str, client: str, name: str, place: str, who: str) -> Site:
        """Note that a site may log in from now on.

        Raises:
            UserMistake: as `may_enrol`, or a text is not well written.
        """
        checks.an_id("site", site)
        name, place = checks.a_text("name", name), checks.a_text("place", place)
        with self._link.writing() as link:
            old = _enrollable(link, site, client)
            now = self._link.clock()
            name, place = name or (old.name if old else ""), place or (old.place if old else "")
            link.execute(
                f"INSERT OR IGNORE INTO sites ({_SITE}) VALUES (?, ?, ?, ?, ?, ?, NULL)",
                (site, client, name, place, Standing.ENROLLED, now),
            )
            link.execute(
                "UPDATE sites SET name = ?, place = ?, standing = ?, enrolled_utc_s = ?, "
                "revoked_utc_s = NULL WHERE id = ?",
                (name, place, Standing.ENROLLED, now, site),
            )
            note(link, now, who, "site enrolled", site, f"for {client}")
        return Site(site, client, name, place, Standing.ENROLLED, now)

    def revoke(self, site: str, who: str) -> None:
        """Note that a site may log in no more; it stays in the books with its history.

        Raises:
            UserMistake: none of that id.
        """
        with self._link.writing() as link:
            checks.known(link, "site", site)
            now = self._link.clock()
            link.execute(
                "UPDATE sites SET standing = ?, revoked_utc_s = COALESCE(revoked_utc_s, ?) WHERE id = ?",
                (Standing.REVOKED, now, site),
            )
            note(link, now, who, "site revoked", site)

    def rotated(self, site: str, who: str) -> None:
        """Note that a site has a new password."""
        with self._link.writing() as link:
            checks.known(link, "site", site)
            note(link, self._link.clock(), who, "site's password rotated", site)

    def move(
        self, site: str, who: str, client: str | None, name: str | None, place: str | None
    ) -> tuple[Site, Site]:
        """Change whose a site is, its name or its place, `None` for as it is; return before and after.

        Raises:
            UserMistake: no such site or client, or a text is not well written.
        """
        with self._link.writing() as link:
            checks.known(link, "site", site)
            row = link.execute(f"SELECT {_SITE} FROM sites WHERE id = ?", (site,)).fetchone()
            old = _site(row)
            if client is not None:
                checks.known(link, "client", client)
            values = (
                old.client if client is None else client,
                old.name if name is None else checks.a_text("name", name),
                old.place if place is None else checks.a_text("place", place),
            )
            link.execute(
                "UPDATE sites SET client = ?, name = ?, place = ? WHERE id = ?", (*values, site)
            )
            before = f"was {old.client}, {old.name!r}, {old.place!r}"
            note(link, self._link.clock(), who, "site moved", site, f"to {', '.join(map(repr, values))}; {before}")  # fmt: skip
        return old, Site(site, *values, old.standing, old.enrolled_utc_s, old.revoked_utc_s)


class Filters:
    """What a work list must know of filters and no sensor tells."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def all(self, site: str | None = None) -> list[FilterFacts]:
        """Return what is known of every filter, or of one site's."""
        with self._link.reading() as link:
            rows = link.execute(
                f"SELECT {_FACTS} FROM filters WHERE ?1 IS NULL OR site = ?1 ORDER BY site, filter",
                (site,),
            ).fetchall()
        return [_facts(row) for row in rows]

    def find(self, site: str, filter_id: str) -> FilterFacts | None:
        """Return what is known of one filter, `None` for nothing."""
        return next((f for f in self.all(site) if f.filter == filter_id), None)

    def put(self, facts: FilterFacts, who: str) -> None:
        """Note what is known of a filter, in place of what was known before.

        Raises:
            UserMistake: no such site, or something is not well written.
        """
        checks.an_id("filter", facts.filter)
        texts = [
            checks.a_text(x, getattr(facts, x)) for x in ("media_card", "pads", "bring", "note")
        ]
        _lamp(facts)
        with self._link.writing() as link:
            checks.known(link, "site", facts.site)
            link.execute(
                f"INSERT OR REPLACE INTO filters ({_FACTS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (facts.site, facts.filter, *texts[:3], facts.lamp_installed, facts.lamp_rated_h,
                 facts.consequence, texts[3]),
            )  # fmt: skip
            note(link, self._link.clock(), who, "filter described", facts.site, facts.filter)

    def remove(self, site: str, filter_id: str, who: str) -> FilterFacts:
        """Forget what is known of a filter; return it.

        Raises:
            UserMistake: nothing is known of it.
        """
        found = self.find(site, filter_id)
        if found is None:
            raise UserMistake(
                f"filter {site}/{filter_id}: nothing is in the books; `canister hub filter list` shows what is"
            )
        with self._link.writing() as link:
            link.execute("DELETE FROM filters WHERE site = ? AND filter = ?", (site, filter_id))
            note(link, self._link.clock(), who, "filter forgotten", site, filter_id)
        return found


def _enrollable(link: sqlite3.Connection, site: str, client: str) -> Site | None:
    checks.known(link, "client", client)
    row = link.execute(f"SELECT {_SITE} FROM sites WHERE id = ?", (site,)).fetchone()
    if row is None:
        return None
    found = _site(row)
    if found.standing is Standing.ENROLLED:
        raise UserMistake(
            f"site {site!r}: is enrolled already, for {found.client}; `canister hub rotate {site}` makes a "
            "new bundle"
        )
    if found.client != client:
        raise UserMistake(
            f"site {site!r}: was {found.client}'s, and its history bears this id; take another id for "
            f"{client}'s board, or `canister hub site move` it with its history first"
        )
    return found


def _lamp(facts: FilterFacts) -> None:
    if facts.lamp_installed and not re.fullmatch(_DAY, facts.lamp_installed):
        raise UserMistake(
            f"lamp installed {facts.lamp_installed!r}: expected a day such as 2026-11-25"
        )
    hours = facts.lamp_rated_h
    if hours is not None and not (math.isfinite(hours) and 0 < hours <= 100_000):
        raise UserMistake(f"lamp hours {hours:g}: expected more than 0, at most 100000")


def _site(row: tuple[Any, ...]) -> Site:
    return Site(row[0], row[1], row[2], row[3], Standing(row[4]), row[5], row[6])


def _facts(row: tuple[Any, ...]) -> FilterFacts:
    return FilterFacts(
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], Consequence(row[7]), row[8]
    )
