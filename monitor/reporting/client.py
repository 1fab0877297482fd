"""A client's report: all their sites over one span, and what the business did there. Sentences of the cover."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec

from monitor.reporting.hours import Span, total
from monitor.reporting.incidents import together_s
from monitor.reporting.summary import FilterPart, Report
from monitor.reporting.words import Reader, lasted, listed, part_words, times

_TOLD_GAPS = 3


class Done(msgspec.Struct, frozen=True):
    """Something that a person of the business did: when, what, who."""

    utc_s: float
    what: str
    who: str


class SitePart(msgspec.Struct, frozen=True):
    """One site: its report as its own would be, and what only the business knows.

    `watched` is the part of the span in which it was one of the business's sites, `silent` the spans of that
    in which nothing was heard of it.
    """

    report: Report
    place: str
    watched: Span
    silent: Sequence[Span]
    done: Sequence[Done]


class ClientReport(msgspec.Struct, frozen=True):
    """A whole report; `business` may be empty."""

    business: str
    client: str
    span_words: str
    made_words: str
    sites: Sequence[SitePart]


def gaps(heard: Iterable[Span], within: Span, longer_than_s: float) -> list[Span]:
    """Return the spans in which nothing was heard, of those that last longer than that.

    Args:
        heard: spans in which something was, in any order; they may overlap.
        within: of which time.
        longer_than_s: shorter ones are passed over.
    """
    found, until_s = list[Span](), within.start_utc_s
    for one in sorted(heard, key=lambda s: s.start_utc_s):
        begin = min(one.start_utc_s, within.end_utc_s)
        if begin - until_s > longer_than_s:
            found.append(Span(until_s, begin))
        until_s = max(until_s, one.end_utc_s)
    if within.end_utc_s - until_s > longer_than_s:
        found.append(Span(until_s, within.end_utc_s))
    return found


def cover(site: SitePart, reader: Reader) -> list[str]:
    """Return what is to be known of a site at a glance."""
    parts = site.report.filters
    said = [_watched(site, reader), _silent(site, reader)]
    if parts and any(total(p.hours).known_s for p in parts):
        said += [_moved(site), _stopped(site), _cleaned(parts)]
    elif not _unheard(site):
        said.append("No reading can be trusted: whether water moved is not known.")
    others = sum(len(p.others) + len(p.temperatures) for p in parts) + len(site.report.of_site)
    said.append(f"Other alarms: {others}." if others else "")
    return [sentence for sentence in said if sentence]


def _unheard(site: SitePart) -> bool:
    return len(site.silent) == 1 and site.silent[0] == site.watched


def _watched(site: SitePart, reader: Reader) -> str:
    span, watched = site.report.span, site.watched
    said = ""
    if watched.start_utc_s > span.start_utc_s:
        said = f"Watched since {reader.stamp(watched.start_utc_s)}"
    if watched.end_utc_s < span.end_utc_s:
        until = reader.stamp(watched.end_utc_s)
        said = f"{said} until {until}" if said else f"Watched until {until}"
    return f"{said}." if said else ""


def _silent(site: SitePart, reader: Reader) -> str:
    silent = site.silent
    if not silent:
        return ""
    whole_s = sum(s.end_utc_s - s.start_utc_s for s in silent)
    if _unheard(site):
        return "Nothing was heard of it in all this time: whether water moved is not known."
    longest = sorted(silent, key=lambda s: s.start_utc_s - s.end_utc_s)[:_TOLD_GAPS]
    spans = [
        f"from {reader.stamp(s.start_utc_s)} to {reader.stamp(s.end_utc_s)}"
        for s in sorted(longest, key=lambda s: s.start_utc_s)
    ]
    more = len(silent) - len(spans)
    if more:
        spans.append(f"{times(more)} more")
    both = "for" if len(silent) == 1 else "together for"
    return (
        f"Nothing was heard of it {listed(spans)}, {both} {lasted(whole_s)}: whether water moved then is not "
        "known."
    )


def _moved(site: SitePart) -> str:
    """Of the filter that stood longest, since a mean over filters would hide it."""
    sums = [(part, total(part.hours)) for part in site.report.filters]
    length_s = site.watched.end_utc_s - site.watched.start_utc_s
    known = min(whole.known_s for _, whole in sums) / length_s if length_s > 0 else 0.0
    readings = (
        "Readings cover all the time"
        if known >= 0.995
        else f"Readings cover {part_words(min(1.0, known))} of the time"
        if len(sums) == 1
        else f"Readings cover {part_words(min(1.0, known))} of the time of the filter with the fewest"
    )
    stood = [(p, w.standing_s) for p, w in sums if w.standing_s >= 60.0]
    if not stood:
        return f"{readings}; in them water always moved."
    told = listed([f"{part.name} for {lasted(s)}" for part, s in stood])
    return f"{readings}; in them water stood in {told}."


def _stopped(site: SitePart) -> str:
    told = [
        f"{p.name} {times(len(p.stops))}, {'for' if len(p.stops) == 1 else 'together for'} "
        f"{lasted(together_s(p.stops, site.report.span, p.known_until_utc_s))}"
        for p in site.report.filters
        if p.stops
    ]
    return f"Flow stopped: {'; '.join(told)}." if told else "No stop was seen."


def _cleaned(parts: Sequence[FilterPart]) -> str:
    told = [f"{p.name} {times(len(p.cleanings))}" for p in parts if p.cleanings]
    return f"Cleaned: {listed(told)}." if told else "No cleaning is on record."
