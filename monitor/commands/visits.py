"""`canister visits`: whom to visit this week, on which day, what to bring, and what waiting risks."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from monitor.commands.common import JsonOption, console, json_line, literal, reported
from monitor.commands.hub_common import HubConfigOption, office

_LEFT_SHOWN = 10


@reported
def visits(
    from_: Annotated[
        Path | None,
        typer.Option("--from", metavar="FILE",
                     help="Needs from a file, one filter a line as JSON: see deploy/fleet/FLEET.md; else from the hub.",
                     show_default=False),
    ] = None,
    client: Annotated[
        list[str] | None,
        typer.Option("--client", metavar="CLIENT", help="Only this client's sites; may be given again.",
                     show_default=False),
    ] = None,
    week: Annotated[
        str | None,
        typer.Option("--week", metavar="WEEK", help="2026-W10, a date, or next; else the seven days from today.",
                     show_default=False),
    ] = None,
    capacity: Annotated[
        str,
        typer.Option("--capacity", metavar="ROOM",
                     help="A day, everybody and the driving counted: minutes, 8h, or '6 visits'."),
    ] = "8h",
    days: Annotated[str, typer.Option("--days", metavar="DAYS", help="When somebody drives.")] = "mon,tue,wed,thu,fri",
    way: Annotated[
        float, typer.Option("--way", min=0, max=1000, metavar="MINUTES", help="To a place and on.")
    ] = 25.0,
    stop: Annotated[
        float, typer.Option("--stop", min=0, max=1000, metavar="MINUTES", help="At a site, before and after the work.")
    ] = 10.0,
    worth: Annotated[
        float,
        typer.Option("--worth", min=0.01, max=10000, metavar="MINUTES",
                     help="Work that a day past the limit of an ordinary filter is worth."),
    ] = 10.0,
    ics: Annotated[
        Path | None,
        typer.Option("--ics", metavar="FILE", help="Write the visits for a calendar program.", show_default=False),
    ] = None,
    config: HubConfigOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Plan a week's visits by what the forecasts leave open, not by due dates alone.

    What must be known comes from the hub: its memory and its books.

    Example: canister visits --week next --capacity 8h --ics visits.ics
    """
    from monitor.app.fleet.hub import link_of, state_of
    from monitor.app.fleet.needs import HubNeeds
    from monitor.app.fleet.rounds import (
        NeedsFile,
        capacity_of,
        days_of,
        planned,
        week_calendar,
        week_of,
        write_calendar,
    )
    from monitor.errors import UserMistake

    now = datetime.now().astimezone()
    costs = {"travel_minutes": way, "stop_minutes": stop, "day_past_minutes": worth}
    first, room = week_of(week, now.date()), capacity_of(capacity)
    calendar = week_calendar(first, now.timestamp(), days_of(days), room, costs)
    if from_ is not None:
        if client:
            raise UserMistake("--client: goes without --from; leave those lines out of the file")
        found, business = planned(NeedsFile(from_), calendar), ""
    else:
        with office(config) as opened:
            of = _clients(opened, client)
            state = state_of(opened.tree, link_of(opened.tree))
            source = HubNeeds(state, opened.books, now.timestamp(), of)
            found, business = planned(source, calendar), opened.tree.books.name
    if ics is not None:
        write_calendar(found, ics, now.timestamp(), business)
    if json:
        for visit in found.visits:
            json_line({"visit": visit})
        for left in found.left_out:
            json_line({"left_out": left})
        rest = msgspec.structs.asdict(found)
        json_line({"plan": {k: v for k, v in rest.items() if k not in ("visits", "left_out")}})
        return
    _print(found, calendar.next_date)
    if ics is not None:
        print(f"{ics}: {len(found.visits)} visits written")


def _clients(opened: Any, wanted: list[str] | None) -> tuple[str, ...]:
    """The clients that are asked for, each known to the books."""
    return tuple(opened.books.clients.get(name).id for name in wanted or ())


def _print(found: Any, next_date: str) -> None:
    from monitor.fleet.visits_words import day_words

    out = console()
    for day in found.days:
        if not day.visits:
            continue
        of = f" of {day.capacity_minutes / 60:.1f} h" if day.capacity_minutes < 1e6 else ""
        out.print(
            f"[bold]{day_words(day.date)}[/bold]: {_number(day.visits, 'visit')}, "
            f"{day.minutes / 60:.1f} h{of} with the driving"
        )
        if day.bring:
            out.print(f"  bring: {literal(', '.join(day.bring))}", soft_wrap=True)
        for place in day.places:
            out.print(f"  {literal(place)}")
            for visit in found.visits:
                if (visit.date, visit.place) == (day.date, place):
                    _print_visit(out, visit)
    if not found.visits and found.sites:
        out.print(
            f"No visit pays in these days: {_number(found.sites, 'site')} looked at, {found.quiet} of "
            "them quiet."
        )
    if found.left_out:
        _print_left(out, found.left_out, next_date)
    for line in found.said:
        out.print(f"Note: {literal(line)}", soft_wrap=True)
    if found.visits:
        share = (found.cost - found.bound) / found.cost if found.cost else 0.0
        out.print(
            f"{_number(found.sites, 'site')} looked at, {found.quiet} of them quiet. No plan can be "
            f"cheaper by more than {100 * share:.1f} %."
        )


def _print_visit(out: Any, visit: Any) -> None:
    client = f" ({literal(visit.client)})" if visit.client else ""
    out.print(
        f"    {visit.rank}. [bold]{literal(visit.site)}[/bold]{client}, {visit.minutes:.0f} min",
        soft_wrap=True,
    )
    for one in visit.filters:
        if one.clean:
            out.print(f"       {literal(one.why)}", soft_wrap=True)
    left = [f.filter for f in visit.filters if not f.clean]
    if left:
        out.print(f"       can wait: {literal(', '.join(left))}", soft_wrap=True)
    if visit.bring:
        out.print(f"       bring {literal(', '.join(visit.bring))}", soft_wrap=True)
    out.print(f"       {literal(visit.postponing)}", soft_wrap=True)


def _print_left(out: Any, left: Any, next_date: str) -> None:
    from monitor.fleet.visits_words import day_words

    out.print(f"[bold]Left out[/bold] until {day_words(next_date)} or later:")
    for one in left[:_LEFT_SHOWN]:
        why = "no time" if one.short else "can wait"
        worst = max(one.filters, key=lambda f: (f.stopped_hours is not None, f.chance_postponed))
        out.print(
            f"  {literal(one.site)}, {literal(one.place)} ({why}): {literal(worst.why)}; "
            f"{one.risk:.1f} days past expected by then, weighted",
            soft_wrap=True,
        )
    if len(left) > _LEFT_SHOWN:
        out.print(f"  and {_number(len(left) - _LEFT_SHOWN, 'site')} more: --json lists all")


def _number(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"
