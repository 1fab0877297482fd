"""Gathers what the journal says of a span and writes the report, as HTML and as PDF."""

from __future__ import annotations

import contextlib
import logging
import os
from calendar import monthrange
from collections.abc import Collection, Iterator
from datetime import date, datetime, time, timedelta, tzinfo
from pathlib import Path

import msgspec

from monitor.alarms.site import SITE
from monitor.app.picture import from_journal
from monitor.errors import MachineError, UserMistake
from monitor.journal.spans import events_since, minutes_between
from monitor.journal.store import Journal
from monitor.records import Event
from monitor.reporting.hours import Band, Day, Fold, Span
from monitor.reporting.incidents import cleanings, deeds, incidents, observations
from monitor.reporting.paper import as_html
from monitor.reporting.summary import Due, FilterPart, Report
from monitor.reporting.words import Reader
from monitor.settings.model import FilterSettings, SettingsTree, SourceKind

_log = logging.getLogger(__name__)
_DAY_S = 86400.0
# An alarm that stands at the beginning of a span was raised at most so long before, to be told of.
LOOKED_BACK_S = 400 * _DAY_S
LONGEST_DAYS = 800


class Dates(msgspec.Struct, frozen=True):
    """The first and the last day of a report, and what the span is called."""

    first: date
    last: date
    words: str

    @property
    def name(self) -> str:
        """The span as a part of a file's name."""
        whole = self.first.day == 1 and (self.last + timedelta(1)).day == 1
        if whole and (self.first.year, self.first.month) == (self.last.year, self.last.month):
            return f"{self.first:%Y-%m}"
        return f"{self.first}" if self.first == self.last else f"{self.first}-to-{self.last}"


def of_month(text: str) -> Dates:
    """Return the days of a month such as 2026-10.

    Raises:
        UserMistake: it is none.
    """
    try:
        first = datetime.strptime(text, "%Y-%m").date()  # noqa: DTZ007
    except ValueError as error:
        raise UserMistake(f"--month: got {text!r:.30}, expected one such as 2026-10") from error
    last = first.replace(day=monthrange(first.year, first.month)[1])
    return Dates(first, last, f"{first:%B %Y}")


def of_days(first: date, last: date) -> Dates:
    """Return the days from one to another, both counted.

    Raises:
        UserMistake: there is none, or there are too many.
    """
    count = (last - first).days + 1
    if not 1 <= count <= LONGEST_DAYS:
        raise UserMistake(
            f"--from {first} --to {last}: {count} days, expected 1 to {LONGEST_DAYS}; the last day is counted too"
        )
    words = f"{named(first)} {first.year}"
    return Dates(first, last, words if count == 1 else f"{words} to {named(last)} {last.year}")


def named(day: date) -> str:
    """Return a day without its year."""
    return f"{day.day} {day:%b}"


def reader_of(units: str, zone: tzinfo) -> Reader:
    """Return how times and figures are put for people."""

    def stamp(utc_s: float) -> str:
        at = datetime.fromtimestamp(utc_s, zone)
        return f"{named(at.date())} {at:%H:%M}"

    return Reader(units == "us", stamp, lambda s: named(datetime.fromtimestamp(s, zone).date()))


def gather(
    tree: SettingsTree, journal: Journal, dates: Dates, zone: tzinfo, now_s: float,
    only: Collection[str] = (),
) -> Report:  # fmt: skip
    """Return the report of a span.

    Args:
        tree: the configuration.
        journal: it may be in use by a daemon.
        dates: the span, in days of `zone`.
        zone: the board's own time zone.
        now_s: the wall clock; nothing is said of the time after it.
        only: the filters that are wanted, empty for all.

    Raises:
        StorageError: the journal cannot be read.
        UserMistake: the span has not begun.
    """
    days = list(days_of(dates, zone))
    span = Span(days[0].start_utc_s, min(days[-1].end_utc_s, now_s))
    if span.end_utc_s <= span.start_utc_s:
        raise UserMistake(f"{dates.words}: has not begun; name a span that has")
    days = [day for day in days if day.start_utc_s < span.end_utc_s]
    names = [name for name in tree.filters if not only or name in only]
    folds = {name: _fold(tree, tree.filters[name], span) for name in names}
    events = events_since(journal, span.start_utc_s - LOOKED_BACK_S)
    # What was read just before may speak for the first minutes.
    for row in minutes_between(journal, span.start_utc_s - 3600.0, span.end_utc_s):
        if row.filter_id in folds:
            folds[row.filter_id].take(row)
    dues = _dues(tree, journal, now_s)
    parts = [_part(name, tree.filters[name], folds[name], events, dues.get(name)) for name in names]
    made = datetime.fromtimestamp(now_s, zone)
    return Report(
        tree.report.heading, tree.site.name or tree.site.id, dates.words, f"{named(made.date())} {made:%Y %H:%M}",
        span, days, parts, incidents(events, SITE, span), tree.site.source is SourceKind.RIG,
    )  # fmt: skip


def days_of(dates: Dates, zone: tzinfo) -> Iterator[Day]:
    """Yield the days of a span as a zone has them."""
    day = dates.first
    while day <= dates.last:
        begin, end = (
            datetime.combine(d, time(), zone).timestamp() for d in (day, day + timedelta(1))
        )
        yield Day(named(day), begin, end)
        day += timedelta(1)


def _fold(tree: SettingsTree, settings: FilterSettings, span: Span) -> Fold:
    every_s = max(60.0, tree.storage.sample_every_s)
    band = Band(settings.tank.min_c, settings.tank.max_c)
    return Fold(span, every_s, settings.limits.flow_stopped_share, band)


def _part(
    name: str, settings: FilterSettings, fold: Fold, events: list[Event], due: Due | None
) -> FilterPart:
    span, tank = fold.span, settings.tank
    hours = fold.finished()
    return FilterPart(
        settings.name or name, hours, incidents(events, name, span), cleanings(events, name, span),
        deeds(events, name, span), observations(events, name, span),
        due if due is not None else Due(0.0, why_not="nothing is on record of this filter"),
        Band(tank.min_c, tank.max_c), tank.salinity_g_per_kg.value, tank.stocking, settings.probe is not None, fold.known_until_utc_s or span.start_utc_s,
    )  # fmt: skip


def _dues(tree: SettingsTree, journal: Journal, now_s: float) -> dict[str, Due]:
    """When cleaning is next due, from what was saved last."""
    rows, _, age_s = from_journal(tree, journal, now_s)
    saved_s, found = now_s - age_s, {}
    for row in rows:
        ahead = row["cleaning_due"]
        if ahead is None or ahead["median_days"] is None:
            why = {"none": "the clean flow is not known yet", "predicted": "the clean flow has not been learned yet",
                   "provisional": "the clean flow is still being learned"}.get(
                       row["clean_flow_basis"], "the flow shows no trend yet")  # fmt: skip
            found[row["filter"]] = Due(saved_s, why_not=why)
            continue
        low, median, high = (
            saved_s + ahead[f"{name}_days"] * _DAY_S for name in ("low", "median", "high")
        )
        found[row["filter"]] = Due(saved_s, low, median, high, ahead["trend"])
    return found


def write(report: Report, reader: Reader, file: Path, pdf: bool) -> list[Path]:
    """Write a report as HTML and, if wanted, as PDF beside it; return the files.

    Each appears whole or not at all.

    Raises:
        MachineError: a file cannot be written.
        UserMistake: the library for PDF is not installed; the HTML is there.
    """
    text = as_html(report, reader)
    page, paper = file.with_suffix(".html"), file.with_suffix(".pdf")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        put(page, text.encode())
        if not pdf:
            return [page]
        put(paper, as_pdf(text))
    except OSError as error:
        raise MachineError(
            f"{error.filename or file.parent}: cannot be written: {error.strerror}; name a folder with room "
            "that is yours"
        ) from error
    return [page, paper]


def put(file: Path, body: bytes) -> None:
    """Write a file so that it appears whole or not at all.

    Raises:
        OSError: it cannot be written.
    """
    fresh = file.with_name(f".{file.name}.new")
    try:
        with fresh.open("wb") as out:
            out.write(body)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(file)
    except OSError:
        with contextlib.suppress(OSError):
            fresh.unlink()
        raise


def as_pdf(text: str) -> bytes:
    """Return an HTML report as PDF.

    Raises:
        UserMistake: the library, or Pango that it draws letters with, is not installed.
    """
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:  # OSError: the library is there, Pango is not
        raise UserMistake(
            "PDF: the extra is not installed; on a board run sudo deploy/install --pdf, else sudo apt-get install "
            "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core and .venv/bin/pip install -c "
            "deploy/constraints.txt -e '.[report]'; or leave out --pdf"
        ) from error
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    done: bytes = HTML(string=text).write_pdf()
    return done
