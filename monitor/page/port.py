"""What the page shows, and what it needs of whoever knows the site."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import msgspec

from monitor.records import AlarmKind, Cause, Order, Priority


class AlarmView(msgspec.Struct, frozen=True):
    """One alarm that is not normal. An empty `filter_id` is the site; times are `utc_s` or `None`.

    `active`: its condition stands; `state` as IEC 62682 names it.
    """

    filter_id: str
    kind: AlarmKind
    state: str
    active: bool
    priority: Priority
    occurrence: int = 0
    cause: Cause = Cause.NONE
    sure: float | None = None
    evidence: str = ""
    advice: str = ""
    consequence: str = ""
    since_utc_s: float | None = None
    until_utc_s: float | None = None
    by: str = ""


class DueView(msgspec.Struct, frozen=True):
    """When cleaning is due, in days from now (80 % interval); `None` where nobody knows."""

    low_days: float | None
    median_days: float | None
    high_days: float | None
    trend: bool


class FilterView(msgspec.Struct, frozen=True):
    """How one filter stands. Flows in L/h, temperatures in °C, shares of clean flow.

    `blind_s`: how long there has been no trustworthy flow reading, 0 with one, `None` where there
    never was one. `limits`: shares at which cleaning is due, flow is low, flow has stopped.
    `undo_by`: there is a cleaning of today that can be taken back.
    """

    id: str
    name: str
    sentence: str
    simulated: bool
    flow: float | None
    clean: float | None
    clean_words: str
    share: float | None
    limits: tuple[float, float, float]
    temperature: float | None
    has_probe: bool
    band: tuple[float | None, float | None]
    blind_s: float | None
    due: DueView | None
    fouling: float | None
    pause: str | None
    pause_until_utc_s: float | None
    cleaned_utc_s: float | None
    undo: bool
    alarms: tuple[AlarmView, ...]


class SiteView(msgspec.Struct, frozen=True):
    """How the site stands at `utc_s`; `watched`: the daemon runs, `live`: this is of this moment.

    `age_s` is how old the picture is, `problem` why there is none at all.
    """

    name: str
    utc_s: float
    us: bool
    live: bool = False
    watched: bool = False
    age_s: float = 0.0
    filters: tuple[FilterView, ...] = ()
    alarms: tuple[AlarmView, ...] = ()
    troubles: tuple[str, ...] = ()
    reminders: tuple[str, ...] = ()
    problem: str = ""


class Deed(msgspec.Struct, frozen=True):
    """A cleaning, or the taking back of one."""

    utc_s: float
    undone: bool
    by: str
    flow: float | None
    clean: float | None


class Stop(msgspec.Struct, frozen=True):
    """A time without flow; `None` for an end that has not come."""

    from_utc_s: float
    to_utc_s: float | None
    cause: Cause
    evidence: str


class History(msgspec.Struct, frozen=True):
    """A filter's past between two times; lists of equal length, one value a step. L/h, °C.

    `fouling` is added resistance as a share of that at the user's limit.
    """

    since_utc_s: float
    until_utc_s: float
    step_s: float
    utc_s: Sequence[float]
    flow: Sequence[float | None]
    lowest: Sequence[float | None]
    highest: Sequence[float | None]
    clean: Sequence[float | None]
    fouling: Sequence[float | None]
    temperature: Sequence[float | None]
    deeds: tuple[Deed, ...]
    stops: tuple[Stop, ...]


class Sizing(msgspec.Struct, frozen=True):
    """What the sizing model says of a filter, flows in L/h."""

    clean: float
    plausible: tuple[float, float]
    head_m: float
    losses: tuple[tuple[str, float], ...]
    remarks: tuple[str, ...]


class Site(Protocol):
    """Whoever knows the site. Every call may wait for the disk: not for the event loop."""

    def pulse(self) -> float:
        """Return something that changes with every new picture; cheap, and never waits."""

    def view(self) -> SiteView:
        """Return how the site stands now."""

    def history(self, filter_id: str, days: float) -> History:
        """Return a filter's past."""

    def sizing(self, filter_id: str) -> Sizing | None:
        """Return what the sizing model says, `None` where the pump is not described."""

    def sheets(self) -> list[str]:
        """Return the names of the commissioning sheets, newest first."""

    def sheet(self, name: str) -> bytes | None:
        """Return a sheet as HTML that stands alone."""

    def give(self, order: Order) -> int:
        """Put down an order and return its number."""

    def answer(self, number: int) -> str | None:
        """Return what the daemon answered, `None` so far."""
