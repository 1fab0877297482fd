"""The work list and the audit trail on the board page. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.fleet.business import Deed
from monitor.fleet.visits import FilterRisk, Plan, Visit
from monitor.fleet.visits_words import day_words
from monitor.page.markup import quoted, select, text
from monitor.page.words import Clock

WEEKS = (("now", "the seven days from today"), ("next", "next week"))
_LEFT_SHOWN = 20


def visits_form(week: str, hours: float) -> str:
    """Return the form that asks for a work list."""
    return (
        '<h1>Visits</h1><form method="get" action="/visits" class="search">'
        + select("week", "week", "Plan", WEEKS, week)
        + '<label for="hours">Hours a day, everybody and the driving counted</label>'
        f'<input id="hours" name="hours" type="number" min="1" max="200" step="0.5" value="{hours:g}">'
        '<button type="submit" class="main">Plan</button></form>'
    )


def visits(plan: Plan) -> str:
    """Return a work list by day and place."""
    parts = []
    for day in plan.days:
        if not day.visits:
            continue
        bring = f"<p>Bring: {text(', '.join(day.bring))}</p>" if day.bring else ""
        of = f" of {day.capacity_minutes / 60:.1f} h" if day.capacity_minutes < 1e6 else ""
        head = f"{day.visits} visit{'' if day.visits == 1 else 's'}, {day.minutes / 60:.1f} h{of} with the driving"
        places = "".join(
            f"<h3>{text(place)}</h3>"
            + "".join(_visit(v) for v in plan.visits if (v.date, v.place) == (day.date, place))
            for place in day.places
        )
        parts.append(
            f'<section class="card"><h2>{text(day_words(day.date))}</h2><p>{head}</p>{bring}{places}</section>'
        )
    if not plan.visits:
        parts.append(
            f'<section class="card"><p>No visit pays in these days: {plan.sites} sites looked at, '
            f"{plan.quiet} of them quiet.</p></section>"
        )
    notes = "".join(f"<li>{text(line)}</li>" for line in plan.said)
    return f'<div class="queue">{"".join(parts)}</div>{_left(plan)}' + (
        f'<ul class="notes">{notes}</ul>' if notes else ""
    )


def _visit(one: Visit) -> str:
    client = f" ({text(one.client)})" if one.client else ""
    reasons = "".join(f"<li>{text(f.why)}</li>" for f in one.filters if f.clean)
    wait = ", ".join(f.filter for f in one.filters if not f.clean)
    return (
        f'<p><a href="/site/{quoted(one.site)}">{one.rank}. {text(one.site)}</a>{client}, '
        f"{one.minutes:.0f} min</p><ul>{reasons}"
        + (f"<li>can wait: {text(wait)}</li>" if wait else "")
        + (f"<li>bring {text(', '.join(one.bring))}</li>" if one.bring else "")
        + f"<li>{text(one.postponing)}</li></ul>"
    )


def _left(plan: Plan) -> str:
    if not plan.left_out:
        return ""
    rows = "".join(
        f'<li><a href="/site/{quoted(one.site)}">{text(one.site)}</a>, {text(one.place)} '
        f"({'no time' if one.short else 'can wait'}): {text(_worst(one.filters))}</li>"
        for one in plan.left_out[:_LEFT_SHOWN]
    )
    more = len(plan.left_out) - _LEFT_SHOWN
    tail = f"<li>and {more} more: <code>canister visits --json</code></li>" if more > 0 else ""
    return f'<section class="card"><h2>Left out</h2><ul>{rows}{tail}</ul></section>'


def _worst(filters: Sequence[FilterRisk]) -> str:
    worst = max(filters, key=lambda f: (f.stopped_hours is not None, f.chance_postponed))
    return worst.why


def audit(deeds: Sequence[Deed], most: int, clock: Clock) -> str:
    """Return the newest lines of the trail, and the way to older ones."""
    rows = "".join(
        f"<tr><td>{text(clock(d.utc_s))}</td><td>{text(d.who)}</td><td>{text(d.did)}</td>"
        f"<td>{text(d.subject)}</td><td>{text(d.detail)}</td></tr>"
        for d in deeds
    )
    older = (
        f'<p><a href="/audit?before={deeds[-1].number}">Older</a></p>' if len(deeds) == most else ""
    )
    return (
        '<h1>Audit</h1><div class="scroll" tabindex="0" role="region" aria-label="Deeds"><table>'
        "<caption>Who did what to what, newest first</caption><thead><tr><th scope='col'>When</th>"
        "<th scope='col'>Who</th><th scope='col'>Did</th><th scope='col'>To what</th>"
        f"<th scope='col'>In detail</th></tr></thead><tbody>{rows}</tbody></table></div>{older}"
    )
