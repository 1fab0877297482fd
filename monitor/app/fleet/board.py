"""What the board page shows and does, from the memory of the fleet, the books and the broker."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from monitor.app.fleet.needs import HubNeeds
from monitor.app.fleet.overview import SiteRow, each, filter_words, overview
from monitor.app.fleet.rounds import planned, week_calendar, week_of
from monitor.errors import MachineError
from monitor.fleet.business import Assignment, Client, Deed, Person, Role, Site
from monitor.fleet.business import Standing as Enrolment
from monitor.fleet.messages import utc_s
from monitor.fleet.visits import Plan
from monitor.hub.books.books import Books
from monitor.hub.orders import Commander
from monitor.hub.state import State
from monitor.page.fleet.port import Picture, Row, Sheet, Standing

_log = logging.getLogger(__name__)
_PLAN_FRESH_S = 300.0
# However long a picture takes to make, no more than this share of a core goes into it.
_SHARE_OF_CORE = 0.3
_WEEKDAYS = frozenset(range(5))


class FleetBoard:
    """The fleet as the board page asks for it; a thread keeps the picture of all sites.

    Args:
        state: the memory of the fleet.
        books: clients, people, sites.
        commander: reaches the sites.
        name: of the business.
        beats, skew_s: as for `monitor.fleet.silence.judge`.
        every_s: how often the picture is made.
        clock: UTC, seconds.
    """

    def __init__(
        self,
        state: State,
        books: Books,
        commander: Commander,
        name: str,
        beats: float,
        skew_s: float,
        every_s: float = 5.0,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._state, self._books, self._commander = state, books, commander
        self.name = name or "Fleet"
        self._beats, self._skew_s, self._every_s, self._clock = beats, skew_s, every_s, clock
        self._picture = Picture()
        self._plans: dict[tuple[str, float], tuple[float, Plan]] = {}
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._keep, name="picture", daemon=True)

    def start(self) -> None:
        """Begin to keep the picture."""
        self._thread.start()

    def close(self) -> None:
        """End the thread and the session at the broker."""
        self._end.set()
        self._commander.close()

    def _keep(self) -> None:
        while not self._end.is_set():
            began_s = time.monotonic()
            self.look()
            took_s = time.monotonic() - began_s
            self._end.wait(max(self._every_s, took_s / _SHARE_OF_CORE))

    def look(self) -> None:
        """Make the picture anew; when that fails the old one stays, and says why."""
        old = self._picture
        try:
            self._picture = self._made()
            if old.problem:
                _log.info("board page: sites are seen again")
        except Exception as error:
            if not isinstance(error, MachineError):
                _log.exception("the picture of the sites cannot be made")
            elif not old.problem:
                _log.warning("board page: %s", error)
            said = str(error) if isinstance(error, MachineError) else "It is in the page's log."
            self._picture = Picture(old.at_utc_s, old.rows, old.alarms, said)

    def _made(self) -> Picture:
        now_s = self._clock()
        known = {site.id: site for site in self._books.sites.all()}
        names = {c.id: c.name for c in self._books.clients.all()}
        heard = self._state.heard()
        gone = {s.id for s in known.values() if s.standing is Enrolment.REVOKED}
        wanted = sorted((heard.keys() | known.keys()) - gone)
        found = each(self._state, wanted, heard, now_s, self._beats, self._skew_s)
        rows = tuple(_row(one, known.get(one.view.site), names) for one in found)
        alarms = sorted((a for row in rows for a in row.alarms), key=lambda a: a.rank)
        return Picture(now_s, rows, tuple(alarms))

    # ------------------------------------------------------------------ what is asked

    def picture(self) -> Picture:
        """Return the newest picture."""
        return self._picture

    def login(self, person: str, password: str) -> Person | None:
        """Return who may enter with this password."""
        return self._books.people.login(person, password)

    def person(self, person: str) -> tuple[Person | None, str]:
        """Return somebody as the books have them now, and what changes with their password."""
        return self._books.people.find(person), self._books.people.mark(person)

    def sites_of(self, client: str) -> list[Site]:
        """Return the sites of a client as the books have them now."""
        return self._books.sites.all(client)

    def site(self, site: str) -> Site | None:
        """Return a site as the books have it now."""
        return self._books.sites.find(site)

    def sheet(self, site: str) -> Sheet | None:
        """Return a site in full.

        Raises:
            StateError: Redis cannot be read.
        """
        known = self._books.sites.find(site)
        (one,) = overview(self._state, [site], self._clock(), self._beats, self._skew_s)
        if known is None and not one.view.journal:
            return None
        names = {c.id: c.name for c in self._books.clients.all()}
        return Sheet(_row(one, known, names), one.view.filters)

    def technicians(self) -> Sequence[Person]:
        """Return those to whom alarms can be assigned."""
        return [p for p in self._books.people.all() if p.role is not Role.CLIENT]

    def clients(self) -> Sequence[Client]:
        """Return all clients."""
        return self._books.clients.all()

    def assignments(self) -> Sequence[Assignment]:
        """Return who looks after what."""
        return self._books.ledger.assignments()

    def deeds(self, most: int, before: int | None) -> list[Deed]:
        """Return the newest lines of the trail."""
        return self._books.trail.last(most, before=before)

    def note(self, who: str, did: str, detail: str) -> None:
        """Write a line into the trail."""
        self._books.trail.add(who, did, "board page", detail)

    def visits(self, week: str, hours: float) -> Plan:
        """Return the work list of a week; one of the last minutes is given again."""
        key, now_s = (week, hours), self._clock()
        made = self._plans.get(key)
        if made is None or not 0 <= now_s - made[0] < _PLAN_FRESH_S:
            today = datetime.fromtimestamp(now_s).astimezone().date()
            first = week_of("next" if week == "next" else None, today)
            calendar = week_calendar(first, now_s, _WEEKDAYS, (hours * 60.0, None), {})
            made = now_s, planned(HubNeeds(self._state, self._books, now_s), calendar)
            fresh = {k: v for k, v in self._plans.items() if 0 <= now_s - v[0] < _PLAN_FRESH_S}
            self._plans = dict(list(fresh.items())[-4:]) | {key: made}
        return made[1]

    # ------------------------------------------------------------------ what is done

    def acknowledge(self, alarm: Standing, by: Person) -> str:
        """Send it to the site, note it, and return in words what became of it.

        Raises:
            MachineError: it could not be sent, or not be noted.
        """
        order = {
            "order": "acknowledge",
            "filter": alarm.filter,
            "alarm": alarm.kind,
            "occurrence": alarm.occurrence,
            "by": f"{by.name}, on the board page"[:80],
        }
        # On record before it is sent: a deed without a line in the trail must not be.
        self._books.trail.add(by.id, "acknowledgement sent", alarm.key)
        try:
            answer = self._commander.give(alarm.site, order)
        except MachineError as error:
            self._books.trail.add(by.id, "acknowledgement not sent", alarm.key, str(error)[:200])
            raise
        did = "acknowledgement answered"
        if answer is None:
            said = f"No answer within {self._commander.within_s:.0f} s: the site may carry it out later."
        else:
            said = answer.answer[:300]
            if answer.accepted:
                did = "alarm acknowledged"  # under this name the client's report tells it
        self._books.trail.add(by.id, did, alarm.key, said)
        return said[:1].upper() + said[1:] + ("" if said.endswith(".") else ".")

    def assign(self, alarm: Standing, person: str, by: Person) -> str:
        """Give an alarm to somebody, empty for nobody; return in words what was done.

        Raises:
            UserMistake: nobody of that id, or a client.
        """
        if not person:
            had = self._books.ledger.unassign(alarm.key, by.id)
            return "Nobody looks after it now." if had else "Nobody looked after it."
        self._books.ledger.assign(alarm.key, person, by.id)
        found = self._books.people.find(person)
        return f"{found.name if found else person} looks after it now."


def _row(one: SiteRow, known: Site | None, clients: Mapping[str, str]) -> Row:
    view, judged = one.view, one.judgement
    alarms = [_standing(view.site, view.journal, "", k, a) for k, a in view.alarms.items()]
    for each_filter in view.filters:
        alarms += [
            _standing(view.site, view.journal, each_filter.name, kind, alarm)
            for kind, alarm in each_filter.alarms.items()
        ]
    name = (known.name if known is not None else "") or view.site
    client, place = (known.client, known.place) if known is not None else ("", "")
    find = "\n".join((view.site, name, client, clients.get(client, ""), place)).casefold()
    return Row(
        view.site, name, client, place, judged.hearing.value, judged.words, judged.advice,
        judged.wanted, one.heard_utc_s,
        tuple((f.name, filter_words(f.state, f.alarms)) for f in view.filters),
        tuple(alarms), known, find,
    )  # fmt: skip


def _standing(site: str, journal: str, of: str, kind: str, alarm: Mapping[str, Any]) -> Standing:
    since = alarm.get("since") or alarm.get("time")
    return Standing(
        site, of, kind, journal, int(alarm["occurrence"]), alarm.get("priority") or "low",
        alarm["state"], bool(alarm["active"]), None if since is None else utc_s(since),
        alarm["evidence"], alarm["advice"], alarm["consequence"], alarm.get("by") or "",
        bool(alarm.get("simulated")),
    )  # fmt: skip
