"""Gathers what books and history know of a client's sites in a span, and writes it down."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, tzinfo
from itertools import pairwise
from pathlib import Path
from statistics import median

import msgspec

from monitor.app.fleet.past import Latest, Past
from monitor.app.reports import LOOKED_BACK_S, Dates, as_pdf, days_of, named, put
from monitor.errors import MachineError, UserMistake
from monitor.fleet.business import Client, Deed, Site, Standing
from monitor.hub.books.books import Books
from monitor.records import Event, MinuteRow
from monitor.reporting.client import ClientReport, Done, SitePart, gaps
from monitor.reporting.client_paper import client_html
from monitor.reporting.hours import Band, Day, Fold, Span
from monitor.reporting.incidents import Incident, cleanings, deeds, incidents, observations
from monitor.reporting.summary import Due, FilterPart, Report
from monitor.reporting.words import Reader
from monitor.settings.model import LimitSettings

_log = logging.getLogger(__name__)
_DAY_S = 86400.0
# States come as often as a board's mqtt.state_every_s says, which the hub is not told: it is seen.
_ROWS_LOOKED_AT = 200
_SHORTEST_S, _LONGEST_S, _LATE = 60.0, 3600.0, 1.2
# A pause between two states that is shorter is not worth a line, though never counted as running.
_SILENT_S, _SILENT_BEATS = 900.0, 3.0
# What the client is told of the audit trail; the rest is the business's own, such as who had the site before.
_TOLD = {
    "site enrolled": "board taken into the fleet",
    "site revoked": "board taken out of the fleet",
    "filter described": "media, pads or lamp noted",
    "alarm assigned": "alarm given to somebody",
    "assignment ended": "alarm looked after to its end",
    "alarm acknowledged": "alarm acknowledged",
}
_WHY_NOT = {
    "none": "the clean flow is not known yet",
    "predicted": "the clean flow has not been learned yet",
    "provisional": "the clean flow is still being learned",
}


class NothingThereError(UserMistake):
    """There is nothing to report of a client in a span."""


class Window(msgspec.Struct, frozen=True):
    """The span of a report: the part of it that is over, its days, what it is called, the wall clock."""

    span: Span
    days: Sequence[Day]
    words: str
    now_s: float


def window(dates: Dates, zone: tzinfo, now_s: float) -> Window:
    """Return the span of a report.

    Raises:
        UserMistake: it has not begun.
    """
    days = list(days_of(dates, zone))
    span = Span(days[0].start_utc_s, min(days[-1].end_utc_s, now_s))
    if span.end_utc_s <= span.start_utc_s:
        raise UserMistake(f"{dates.words}: has not begun; name a month that has")
    return Window(span, [d for d in days if d.start_utc_s < span.end_utc_s], dates.words, now_s)


class Gatherer:
    """Makes the reports of clients.

    Args:
        books: of the business.
        past: the history.
        business: its name for people, may be empty.
        zone: whose days are counted.
    """

    def __init__(self, books: Books, past: Past, business: str, zone: tzinfo) -> None:
        self._books, self._past, self._business, self._zone = books, past, business, zone

    def gather(self, client: Client, over: Window) -> ClientReport:
        """Return the report of a client.

        Raises:
            NothingThereError: the client has no site, or nothing came of any in the span.
            MachineError: the history cannot be read.
        """
        sites = self._books.sites.all(client.id)
        if not sites:
            raise NothingThereError(
                f"client {client.id!r}: has no site; `canister hub enrol` adds one"
            )
        people = {p.id: p.name or p.id for p in self._books.people.all()}
        parts = [part for site in sites if (part := self._site(site, over, people)) is not None]
        if not any(_came(part) for part in parts):
            raise NothingThereError(
                f"client {client.id!r}: history has nothing of {over.words} for {', '.join(s.id for s in sites)}; "
                "`canister hub check` says whether history is written"
            )
        made = datetime.fromtimestamp(over.now_s, self._zone)
        return ClientReport(
            self._business, client.name or client.id, over.words, f"{named(made.date())} {made:%Y %H:%M}", parts,
        )  # fmt: skip

    def _site(self, site: Site, over: Window, people: dict[str, str]) -> SitePart | None:
        """One site; none that was not looked after in the span and has nothing in it."""
        span, past = over.span, self._past
        heard = past.latest(site.id, span.start_utc_s, span.end_utc_s)
        dues = past.latest(site.id, span.start_utc_s, over.now_s) if heard else {}
        journals = past.events(site.id, span.start_utc_s - LOOKED_BACK_S, over.now_s)
        journals = [[_by_name(e, people) for e in journal] for journal in journals]
        known = {f.filter for f in self._books.filters.all(site.id)}
        of_events = {e.filter_id for j in journals for e in j if e.filter_id and _in(e.utc_s, span)}
        readings = {
            name: Readings(past.minutes(site.id, name, span.start_utc_s, span.end_utc_s), span)
            for name in sorted(known | of_events | set(heard))
        }
        watched = _watched(site, span, [s for r in readings.values() for s in r.heard])
        if watched is None:
            return None
        parts = [_part(name, r, journals, dues.get(name)) for name, r in readings.items()]
        report = Report(
            "", site.name or site.id, over.words, "", span, over.days, parts,
            _incidents(journals, "", span), past.simulated(site.id, span.start_utc_s, span.end_utc_s),
        )  # fmt: skip
        longest_s = max([r.every_s for r in readings.values()], default=0.0)
        silent = gaps(
            [s for r in readings.values() for s in r.heard], watched, max(_SILENT_S, _SILENT_BEATS * longest_s)
        )  # fmt: skip
        trail = self._books.trail.of_site(site.id, span.start_utc_s, span.end_utc_s)
        return SitePart(report, site.place, watched, silent, _done(trail, people))


class Readings:
    """The readings of one filter added up, and when any came.

    Args:
        rows: of the span, oldest first.
        span: of the report.
    """

    def __init__(self, rows: Iterator[MinuteRow], span: Span) -> None:
        first = [row for _, row in zip(range(_ROWS_LOOKED_AT), rows, strict=False)]
        self.every_s = _every_s(first)
        standing = LimitSettings().flow_stopped_share
        self.fold = Fold(span, self.every_s, standing, Band())
        self.heard: list[Span] = []
        for row in first:
            self._take(row)
        for row in rows:
            self._take(row)
        self.hours = self.fold.finished()

    def _take(self, row: MinuteRow) -> None:
        self.fold.take(row)
        end_s = row.utc_s + self.every_s
        if self.heard and row.utc_s <= self.heard[-1].end_utc_s:
            self.heard[-1] = Span(self.heard[-1].start_utc_s, end_s)
        else:
            self.heard.append(Span(row.utc_s, end_s))


def _every_s(rows: Sequence[MinuteRow]) -> float:
    """How long a row speaks for: the usual time to the next, and a little for one that is late."""
    steps = [b.utc_s - a.utc_s for a, b in pairwise(rows)]
    if not steps:
        return _SHORTEST_S
    usual_s = float(median(steps))
    return _SHORTEST_S if usual_s <= _SHORTEST_S else min(_LONGEST_S, _LATE * usual_s)


def _part(
    name: str, readings: Readings, journals: list[list[Event]], latest: Latest | None
) -> FilterPart:
    span, fold = readings.fold.span, readings.fold
    events = [event for journal in journals for event in journal]
    return FilterPart(
        name, readings.hours, _incidents(journals, name, span), cleanings(events, name, span),
        deeds(events, name, span), observations(events, name, span), _due(latest), None, 0.0, "", True,
        fold.known_until_utc_s or span.start_utc_s,
    )  # fmt: skip


def _incidents(journals: list[list[Event]], filter_id: str, span: Span) -> list[Incident]:
    """An alarm that stood when a journal ended for ever has no end on record."""
    found: list[Incident] = []
    for number, events in enumerate(journals, 1):
        for one in incidents(events, filter_id, span):
            lost = one.ended_utc_s is None and number < len(journals)
            kept = msgspec.structs.replace(one, lost_end=True) if lost else one
            if not lost or _in(one.raised_utc_s, span):
                found.append(kept)
    return sorted(found, key=lambda i: i.raised_utc_s)


def _due(latest: Latest | None) -> Due:
    if latest is None:
        return Due(0.0, why_not="nothing was heard of this filter")
    as_of = latest.utc_s
    if latest.low_days is None or latest.median_days is None or latest.high_days is None:
        return Due(as_of, why_not=_WHY_NOT.get(latest.clean_basis, "the flow shows no trend yet"))
    low, middle, high = (
        as_of + days * _DAY_S for days in (latest.low_days, latest.median_days, latest.high_days)
    )
    return Due(as_of, low, middle, high, latest.trend)


def _watched(site: Site, span: Span, heard: Sequence[Span]) -> Span | None:
    """The part of a span in which the business looked after a site; what was heard counts in any case."""
    first_s = min((s.start_utc_s for s in heard), default=span.end_utc_s)
    last_s = max((s.end_utc_s for s in heard), default=span.start_utc_s)
    begin = max(span.start_utc_s, min(site.enrolled_utc_s, first_s))
    end = span.end_utc_s
    if site.standing is Standing.REVOKED and site.revoked_utc_s is not None:
        end = min(end, max(site.revoked_utc_s, last_s))
    return Span(begin, end) if begin < end else None


def _came(part: SitePart) -> bool:
    filters = part.report.filters
    things = [*part.report.of_site, *(x for f in filters for x in (*f.found, *f.deeds, *f.noticed))]
    return bool(things) or not (len(part.silent) == 1 and part.silent[0] == part.watched)


def _done(trail: Sequence[Deed], people: dict[str, str]) -> list[Done]:
    found = []
    for deed in trail:
        if (what := _TOLD.get(deed.did)) is None:
            continue
        if deed.did == "alarm assigned":
            to = deed.detail.removeprefix("to ")
            what = f"{_alarm_words(deed.subject)} given to {people.get(to, to)}"
        elif "/" in deed.subject:
            what = f"{what}: {_alarm_words(deed.subject)}"
        elif deed.did == "filter described":
            what = f"{what}: {deed.detail}"
        found.append(Done(deed.utc_s, what, people.get(deed.who, deed.who)))
    return found


def _alarm_words(subject: str) -> str:
    """An alarm's id, site/filter/kind/occurrence, in words."""
    parts = subject.split("/")
    kind = parts[2].replace("-", " ") if len(parts) > 2 else "alarm"
    return f"{kind} of {parts[1]}" if len(parts) > 2 and parts[1] else kind


def _by_name(event: Event, people: dict[str, str]) -> Event:
    return msgspec.structs.replace(event, by=people.get(event.by, event.by)) if event.by else event


def _in(utc_s: float, span: Span) -> bool:
    return span.start_utc_s <= utc_s < span.end_utc_s


def write_client(report: ClientReport, reader: Reader, file: Path) -> Path:
    """Write a report as HTML or PDF, as the file's name ends; it appears whole or not at all.

    Raises:
        MachineError: the file cannot be written.
        UserMistake: the library for PDF is not installed.
    """
    html = client_html(report, reader)
    make: dict[str, Callable[[str], bytes]] = {".html": str.encode, ".pdf": as_pdf}
    body = make[file.suffix](html)
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        put(file, body)
    except OSError as error:
        raise MachineError(
            f"{error.filename or file.parent}: cannot be written: {error.strerror}; name a folder with room "
            "that is yours"
        ) from error
    return file
