"""Alarms on the board page: one with its advice and deeds, and the queue of the whole fleet. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec

from monitor.fleet.business import Person
from monitor.page.fleet.choose import Asked, Part
from monitor.page.fleet.port import CAN_ACKNOWLEDGE, QUIET, Row, Standing
from monitor.page.markup import hidden, quoted, select, shape, text
from monitor.page.words import STATES, Clock
from monitor.records import AlarmState

_SIGNS = {
    "high": ("triangle", "act now"),
    "medium": ("diamond", "today"),
    "low": ("ring", "within days"),
}


class Hands(msgspec.Struct, frozen=True):
    """What who looks may do: acknowledge and assign, with the token of the session.

    `people` can be assigned, `assigned` is the id of who looks after an alarm by the alarm's key.
    """

    csrf: str
    acknowledge: bool
    assign: bool
    people: tuple[Person, ...]
    assigned: Mapping[str, str]
    back: str


def article(one: Standing, row: Row, hands: Hands, clock: Clock, of_site: bool = True) -> str:
    """Return one alarm: what, where, since when, what to do, and what can be done from here."""
    sign, soon = _SIGNS.get(one.priority, ("ring", one.priority))
    level = "quiet" if one.state in QUIET or not one.active else one.priority
    key = f"alarm-{text(one.site)}-{text(one.filter or 'site')}-{text(one.kind)}"
    rows = [
        ("Seen", one.evidence),
        ("What to do", one.advice if one.active else ""),
        ("If nothing is done", one.consequence if one.active else ""),
        ("Looked after by", _who(hands.assigned.get(one.key, ""), hands.people)),
    ]
    told = "".join(f"<dt>{label}</dt><dd>{text(said)}</dd>" for label, said in rows if said)
    place = "" if of_site else _place(row)
    return (
        f'<article class="alarm {text(level)}" aria-labelledby="{key}">'
        f'<h3 id="{key}">{shape(sign)} {text(one.name)}{text(": " + one.filter if one.filter else "")}'
        f'<span class="soon">{text(soon if one.active else "over")}</span></h3>{place}'
        f'<p class="state">{text(_state(one, clock))}</p>'
        + ('<p class="simulated">Simulated</p>' if one.simulated else "")
        + (f"<dl>{told}</dl>" if told else "")
        + _forms(one, row, hands, key)
        + "</article>"
    )


def _place(row: Row) -> str:
    where = f", {row.place}" if row.place else ""
    return f'<p><a href="/site/{quoted(row.site)}">{text(row.name)}</a>{text(where)}</p>'


def _state(one: Standing, clock: Clock) -> str:
    try:
        said = STATES.get(AlarmState(one.state), one.state)
    except ValueError:  # of a newer site
        said = one.state
    if one.state == AlarmState.ACKNOWLEDGED and one.by:
        said += f" by {one.by}"
    return said if one.since_utc_s is None else f"{said}; raised {clock(one.since_utc_s)}"


def _who(person: str, people: Sequence[Person]) -> str:
    return next((p.name for p in people if p.id == person), person)


def _forms(one: Standing, row: Row, hands: Hands, key: str) -> str:
    about = (
        hidden("csrf", hands.csrf)
        + hidden("site", one.site)
        + hidden("alarm", one.key)
        + hidden("back", hands.back)
    )
    unseen = f'<span class="unseen">, {text(one.name.lower())} at {text(row.name)}</span>'
    forms = []
    if hands.acknowledge and one.state in CAN_ACKNOWLEDGE:
        forms.append(
            f'<form method="post" action="/act">{about}{hidden("do", "acknowledge")}'
            f'<button type="submit" class="main">Acknowledge{unseen}</button></form>'
        )
    if hands.assign:
        options = (("", "Nobody"), *((p.id, p.name) for p in hands.people))
        chosen = hands.assigned.get(one.key, "")
        forms.append(
            f'<form method="post" action="/act">{about}{hidden("do", "assign")}'
            + select(f"{key}-person", "person", "Assign to", options, chosen)
            + f'<button type="submit">Assign{unseen}</button></form>'
        )
    return f'<div class="acts">{"".join(forms)}</div>' if forms else ""


def queue(
    part: Part[Standing], asked: Asked, rows: Mapping[str, Row], hands: Hands, clock: Clock,
    search: str, pager: str,
) -> str:  # fmt: skip
    """Return the queue: the most urgent first, of these the oldest.

    Args:
        part: one page of it.
        asked: what was asked for.
        rows: the site of each alarm.
        hands: what who looks may do.
        clock: writes times.
        search, pager: made already.
    """
    count = f"{part.total} alarm{'' if part.total == 1 else 's'}"
    shown = "".join(article(one, rows[one.site], hands, clock, False) for one in part.items)
    none = "No alarm of yours stands." if asked.mine else "No alarm stands."
    return (
        f'<h1>Alarms</h1>{search}<p role="status">{count}, the most urgent and oldest first</p>'
        f'<div class="queue">{shown or f"<p>{none}</p>"}</div>{pager}'
    )
