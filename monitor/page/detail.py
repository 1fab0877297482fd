"""A filter's own view. Pure."""

from __future__ import annotations

from monitor.page import overview
from monitor.page.markup import live, text
from monitor.page.overview import Fragments
from monitor.page.port import FilterView, History, SiteView, Sizing
from monitor.page.words import Clock

SPANS = ((2.0, "2 days"), (14.0, "14 days"), (90.0, "90 days"), (730.0, "2 years"))


def chosen_days(written: str) -> float:
    """Return the span that was asked for; anything else is the usual one."""
    return next((days for days, _ in SPANS if written == f"{days:g}"), 14.0)


def body(
    one: FilterView, site: SiteView, found: Fragments, charts: str, days: float,
    sized: Sizing | None, sheets: list[str],
) -> str:  # fmt: skip
    """Return the view's content."""
    return overview.card(one, found) + live(f"{one.id}-charts", charts)


def charts(past: History, one: FilterView, us: bool, clock: Clock) -> str:
    """Return the charts."""
    return text(len(past.utc_s))
