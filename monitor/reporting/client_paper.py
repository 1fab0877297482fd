"""A client's report as one HTML document: a cover, then each site as its own report would have it."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.reporting.client import ClientReport, SitePart, cover
from monitor.reporting.hours import total
from monitor.reporting.paper import (
    SIMULATED,
    closed,
    filter_section,
    opening,
    safe,
    site_section,
    table,
)
from monitor.reporting.summary import Due, FilterPart
from monitor.reporting.words import Reader, lasted, part_words, share_words

_STYLE = """
h1.site{border-top:4px solid #0b7285;padding-top:.4em;margin-top:2em;break-before:page}
@media print{h1.site{border-top:0;margin-top:0}}
"""


def client_html(report: ClientReport, reader: Reader) -> str:
    """Return the document."""
    made = (
        f"Made {report.made_words} by canister-monitor from what the boards at the tanks have sent."
    )
    parts = opening(f"{report.client}: {report.span_words}", report.business, made, _STYLE)
    if any(site.report.simulated for site in report.sites):
        parts.append(SIMULATED)
    for site in report.sites:
        said = "".join(f"<li>{safe(s)}</li>" for s in cover(site, reader))
        parts += [f"<h2>{safe(_called(site))}</h2>", f"<ul>{said}</ul>"]
        parts += table("", _HEAD, [_row(p, site, reader) for p in site.report.filters], 1)
    for site in report.sites:
        parts += _site(site, reader)
    return closed(parts)


_HEAD = ("filter", "readings", "water stood", "stops", "cleanings", "of clean at the end", "cleaning due")  # fmt: skip


def _row(part: FilterPart, site: SitePart, reader: Reader) -> Sequence[str]:
    whole = total(part.hours)
    length_s = site.watched.end_utc_s - site.watched.start_utc_s
    last = next((h.share for h in reversed(part.hours) if h.share is not None), None)
    return (
        part.name,
        part_words(min(1.0, whole.known_s / length_s)) if length_s > 0 else "–",
        "–" if whole.known_s <= 0 else lasted(whole.standing_s) if whole.standing_s else "no",
        str(len(part.stops)),
        str(len(part.cleanings)),
        share_words(last),
        _due(part.due, reader),
    )


def _due(due: Due, reader: Reader) -> str:
    if due.median_utc_s is None:
        return "not known"
    return "now" if due.median_utc_s <= due.as_of_utc_s else f"about {reader.day(due.median_utc_s)}"


def _called(site: SitePart) -> str:
    return f"{site.report.site}, {site.place}" if site.place else site.report.site


def _site(site: SitePart, reader: Reader) -> list[str]:
    report = site.report
    parts = [f'<h1 class="site">{safe(_called(site))}</h1>']
    if report.simulated:
        parts.append(SIMULATED)
    if site.silent:
        rows = [
            (reader.stamp(s.start_utc_s), reader.stamp(s.end_utc_s), lasted(s.end_utc_s - s.start_utc_s))
            for s in site.silent
        ]  # fmt: skip
        parts += table("When nothing was heard", ("from", "to", "how long"), rows)
        parts.append(
            '<p class="pale">The board at the tank, its power or its line was away. A board that only had no line '
            "went on watching; its alarms came later and stand below, its readings of then do not.</p>"
        )
    for part in report.filters:
        parts += filter_section(part, report, reader)
    parts += site_section(report, reader)
    rows_done = [(reader.stamp(d.utc_s), d.what, d.who) for d in site.done]
    return [*parts, *table("What the business did", ("when", "what", "who"), rows_done)]
