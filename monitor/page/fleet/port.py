"""What the board page shows and does, as values and as what it asks of the hub. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import msgspec

from monitor.fleet.business import Assignment, Client, Deed, Person, Site
from monitor.fleet.view import FilterView
from monitor.fleet.visits import Plan
from monitor.records import AlarmState

QUIET = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
# Where a person's word is still wanted.
CAN_ACKNOWLEDGE = frozenset(
    {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED}
)  # fmt: skip
_URGENCY = {"high": 0, "medium": 1, "low": 2}


class Standing(msgspec.Struct, frozen=True):
    """An alarm that is not normal; `filter` is empty for one of the whole site. Times are UTC, seconds."""

    site: str
    filter: str
    kind: str
    journal: str
    occurrence: int
    priority: str
    state: str
    active: bool
    since_utc_s: float | None
    evidence: str
    advice: str
    consequence: str
    by: str
    simulated: bool

    @property
    def key(self) -> str:
        """What assignments name it by; with the journal, as a new card counts occurrences anew."""
        of = self.filter or "-"
        return f"{self.site}/{of}/{self.kind}/{self.journal}/{self.occurrence}"

    @property
    def name(self) -> str:
        """Its kind as a sentence begins."""
        return self.kind.replace("-", " ").capitalize()

    @property
    def rank(self) -> tuple[bool, int, float, str]:
        """Its place in the queue: what is heard first, then the most urgent, then the oldest."""
        since = float("inf") if self.since_utc_s is None else self.since_utc_s
        return self.state in QUIET, _URGENCY.get(self.priority, 3), since, self.key


class Row(msgspec.Struct, frozen=True):
    """One site of the list: whose, where, how it is heard, its filters in words, its alarms.

    `known` is the site as the books have it, `None` for one that only the broker knows; `find` is what a
    search looks into.
    """

    site: str
    name: str
    client: str
    place: str
    hearing: str
    words: str
    advice: str
    wanted: bool
    heard_utc_s: float
    filters: tuple[tuple[str, str], ...]
    alarms: tuple[Standing, ...]
    known: Site | None
    find: str

    @property
    def trouble(self) -> bool:
        """Whether it wants somebody: it is not heard, or an alarm is heard there."""
        return self.wanted or any(a.state not in QUIET for a in self.alarms)


class Picture(msgspec.Struct, frozen=True):
    """All sites at one moment; `problem` says why it is older than it should be, empty for nothing."""

    at_utc_s: float = 0.0
    rows: tuple[Row, ...] = ()
    alarms: tuple[Standing, ...] = ()
    problem: str = ""


class Sheet(msgspec.Struct, frozen=True):
    """One site in full."""

    row: Row
    filters: tuple[FilterView, ...]


class Fleet(Protocol):
    """What the hub offers; each but `picture` may wait for a disk or a network."""

    name: str

    def picture(self) -> Picture:
        """Return the newest picture, at once."""

    def login(self, person: str, password: str) -> Person | None:
        """Return who may enter with this password."""

    def person(self, person: str) -> tuple[Person | None, str]:
        """Return somebody as the books have them now, and what changes with their password."""

    def sites_of(self, client: str) -> list[Site]:
        """Return the sites of a client as the books have them now."""

    def site(self, site: str) -> Site | None:
        """Return a site as the books have it now."""

    def sheet(self, site: str) -> Sheet | None:
        """Return a site in full, `None` for one that nobody knows."""

    def technicians(self) -> Sequence[Person]:
        """Return those to whom alarms can be assigned."""

    def clients(self) -> Sequence[Client]:
        """Return all clients."""

    def assignments(self) -> Sequence[Assignment]:
        """Return who looks after what."""

    def acknowledge(self, alarm: Standing, by: Person) -> str:
        """Send it to the site, note it, and return in words what became of it."""

    def assign(self, alarm: Standing, person: str, by: Person) -> str:
        """Give an alarm to somebody, empty for nobody; return in words what was done."""

    def deeds(self, most: int, before: int | None) -> list[Deed]:
        """Return the newest lines of the trail."""

    def note(self, who: str, did: str, detail: str) -> None:
        """Write a line into the trail."""

    def visits(self, week: str, hours: float) -> Plan:
        """Return the work list of a week."""
