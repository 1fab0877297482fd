"""Writes planned visits as iCalendar (RFC 5545), by the library icalendar.

A visit's UID is made of its site and the week that its day lies in, not of the day: a plan made anew for the
same week replaces the visit in a calendar, also on another day. SEQUENCE and DTSTAMP grow with the moment
of writing, as RFC 5545 wants it for a newer revision (3.8.7.4). A visit that moves into another week is
another visit: plan by whole weeks (`--week`) where a calendar is to follow. Visits are whole-day events: nobody has
promised an hour. A visit that fell out of the plan is not called off: whoever imports into a calendar of
its own should empty it first.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from icalendar import Calendar, Event

from monitor.fleet.visits import Plan, Visit

_DOMAIN = "visits.canister-monitor.invalid"  # RFC 2606: a name that nobody can own
_SEQUENCE_FROM_S = 1_700_000_000  # so that the number, an integer of 31 bits, lasts


def calendar_text(plan: Plan, now_utc_s: float, business: str = "") -> bytes:
    """Return the visits of a plan, UTF-8 with CRLF line ends.

    Args:
        plan: of a round.
        now_utc_s: the moment of writing.
        business: whose calendar it is, for its title; empty for none.
    """
    made = Calendar()
    made.add("prodid", "-//canister-monitor//visits//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("method", "PUBLISH")
    made.add("x-wr-calname", f"Visits of {business}" if business else "Filter visits")
    for visit in plan.visits:
        made.add_component(_event(visit, now_utc_s))
    text: bytes = made.to_ical()
    return text


def uid(visit: Visit) -> str:
    """Return the name of a visit that stays when the plan of its week is made anew."""
    year, week, _ = date.fromisoformat(visit.date).isocalendar()
    return f"{visit.site.encode().hex()}-{year}w{week:02d}@{_DOMAIN}"


def _event(visit: Visit, now_utc_s: float) -> Event:
    day = date.fromisoformat(visit.date)
    event = Event()
    event.add("uid", uid(visit))
    event.add("dtstamp", datetime.fromtimestamp(now_utc_s, UTC).replace(microsecond=0))
    event.add("sequence", max(0, int(now_utc_s) - _SEQUENCE_FROM_S))
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("summary", f"{visit.site}: {', '.join(f.filter for f in visit.filters if f.clean)}")
    event.add("location", visit.place)
    event.add("description", "\n".join(_lines(visit)))
    event.add("transp", "TRANSPARENT")
    return event


def _lines(visit: Visit) -> Sequence[str]:
    lines = [
        f"Need: number {visit.rank} of the week; about {visit.minutes:.0f} minutes at the site."
    ]
    if visit.client:
        lines.append(f"Client: {visit.client}")
    lines += [f.why for f in visit.filters if f.clean]
    if visit.bring:
        lines.append(f"Bring: {', '.join(visit.bring)}")
    return [*lines, f"Postponing: {visit.postponing}"]
