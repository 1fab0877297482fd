"""The screens of the board page: frame, log-in, sites, one site. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.fleet.business import Person
from monitor.fleet.roles import Action, may
from monitor.fleet.view import Cleaning, FilterView
from monitor.page import shell
from monitor.page.fleet.alarms import Hands, article
from monitor.page.fleet.choose import Asked, Part
from monitor.page.fleet.port import Picture, Row, Sheet
from monitor.page.markup import quoted, shape, text
from monitor.page.words import Clock, flow, per_cent, temperature

_OLD_S = 60.0
_CLEANINGS = 20


def nav(person: Person, here: str) -> str:
    """Return the links to the screens that somebody may see."""
    screens = [("/", "Sites"), ("/alarms", "Alarms")]
    if may(person, Action.PLAN, None):
        screens.append(("/visits", "Visits"))
    if may(person, Action.AUDIT, None):
        screens.append(("/audit", "Audit"))
    links = "".join(
        f'<li><a href="{to}"{" aria-current=" + chr(34) + "page" + chr(34) if to == here else ""}>'
        f"{words}</a></li>"
        for to, words in screens
    )
    return f'<nav aria-label="Screens"><ul class="spans screens">{links}</ul></nav>'


def login(name: str, problem: str = "", warning: str = "") -> str:
    """Return the log-in."""
    said = f'<p id="problem" class="problem" role="alert">{text(problem)}</p>' if problem else ""
    described = ' aria-describedby="problem" aria-invalid="true"' if problem else ""
    body = (
        f'<section class="card login"><h1>Log in</h1>{said}<form method="post" action="/login">'
        '<label for="person">Your id</label>'
        '<input id="person" name="person" type="text" autocomplete="username" autocapitalize="none" '
        f'spellcheck="false" required autofocus maxlength="32"{described}>'
        '<label for="password">Password</label>'
        '<input id="password" name="password" type="password" autocomplete="current-password" '
        f'required maxlength="200"{described}>'
        '<button type="submit" class="main">Log in</button></form>'
        '<p class="note">Forgotten? Whoever keeps the hub sets another: '
        "<code>canister hub person password</code></p></section>"
    )
    return shell.document("Log in", body, name, warning=warning)


def message(title: str, words: str, back: str = "/") -> str:
    """Return the content of a screen that says one thing and leads back."""
    return (
        f'<section class="card"><h1>{text(title)}</h1><p>{text(words)}</p>'
        f'<p><a href="{text(back)}">Back</a></p></section>'
    )


def standing_line(picture: Picture, now_utc_s: float, second: Clock) -> str:
    """Return how old the picture is, in words; what is old is said to be old."""
    if not picture.at_utc_s:
        words = (
            picture.problem or "The first picture of all sites is being made; reload in a moment."
        )
        return f'<p class="watch">{shape("hollow")} {text(words)}</p>'
    age_s = now_utc_s - picture.at_utc_s
    if picture.problem or age_s > _OLD_S:
        words = f"Not new: what you see is from {second(picture.at_utc_s)}. {picture.problem}"
        return f'<p class="warning">{shape("hollow")} {text(words)}</p>'
    return f'<p class="watch">{shape("dot")} As of {text(second(picture.at_utc_s))}</p>'


def search(where: str, asked: Asked, extra: str, label: str) -> str:
    """Return the search form of a list; `extra` is a tick box of its own, `trouble` or `mine`."""
    ticked = asked.trouble if extra == "trouble" else asked.mine
    words = "Only trouble" if extra == "trouble" else "Only mine"
    box = (
        f'<label class="tick"><input type="checkbox" name="{extra}" value="1"'
        f"{' checked' if ticked else ''}> {words}</label>"
        if extra
        else ""
    )
    return (
        f'<form method="get" action="{where}" class="search" role="search"><label for="q">{label}</label>'
        f'<input id="q" name="q" type="search" maxlength="80" value="{text(asked.words)}">{box}'
        '<button type="submit" class="main">Find</button></form>'
    )


def pager(where: str, asked: Asked, part: Part[Any]) -> str:
    """Return the links to the page before and after, empty for a single page."""
    if part.pages == 1:
        return ""

    def to(page: int, words: str, rel: str) -> str:
        query = f"?q={quoted(asked.words)}&page={page}"
        query += "&trouble=1" if asked.trouble else ""
        query += "&mine=1" if asked.mine else ""
        return f'<li><a rel="{rel}" href="{where}{text(query)}">{words}</a></li>'

    before = to(part.page - 1, "Before", "prev") if part.page > 1 else ""
    after = to(part.page + 1, "After", "next") if part.page < part.pages else ""
    return (
        f'<nav aria-label="Pages"><ul class="spans"><li>Page {part.page} of {part.pages}</li>'
        f"{before}{after}</ul></nav>"
    )


def sites(part: Part[Row], asked: Asked, clients: Mapping[str, str], clock: Clock) -> str:
    """Return the list of sites.

    Args:
        part: one page of it.
        asked: what was asked for.
        clients: name of each client by id.
        clock: writes times.
    """
    count = f"{part.total} site{'' if part.total == 1 else 's'}"
    rows = "".join(_site_line(row, clients, clock) for row in part.items)
    if not rows:
        none = "No site wants anybody." if asked.trouble else "No site is found."
        rows = f'<li class="empty"><p>{none}</p></li>'
    return (
        "<h1>Sites</h1>"
        + search("/", asked, "trouble", "Site, client or place")
        + f'<p role="status">{count}</p><ul class="rows">{rows}</ul>'
        + pager("/", asked, part)
    )


def _site_line(row: Row, clients: Mapping[str, str], clock: Clock) -> str:
    sign = "triangle" if row.trouble else ("dot" if row.hearing == "heard" else "hollow")
    filters = "".join(f"<li>{text(name)}: {text(words)}</li>" for name, words in row.filters)
    whose = ", ".join(x for x in (clients.get(row.client, row.client), row.place) if x)
    heard = f", last {clock(row.heard_utc_s)}" if row.heard_utc_s else ""
    return (
        f'<li class="row"><div><a href="/site/{quoted(row.site)}">{shape(sign)}{text(row.name)}</a>'
        f'<span class="note">{text(whose)}</span></div>'
        f'<div><b>{text(row.hearing)}</b><span class="note">{text(row.site)}{text(heard)}</span></div>'
        f"<ul>{filters}</ul></li>"
    )


def site(sheet: Sheet, clients: Mapping[str, str], hands: Hands, clock: Clock) -> str:
    """Return one site: how it is heard, alarms with advice, filters, cleanings."""
    row = sheet.row
    whose = ", ".join(x for x in (clients.get(row.client, row.client), row.place, row.site) if x)
    heard = f" Heard last {clock(row.heard_utc_s)}." if row.heard_utc_s else ""
    advice = f"<p>What to do: {text(row.advice)}.</p>" if row.advice else ""
    sign = "triangle" if row.wanted else "dot" if row.hearing == "heard" else "hollow"
    alarms = "".join(
        article(one, row, hands, clock) for one in sorted(row.alarms, key=lambda a: a.rank)
    ) or ("<p>No alarm stands.</p>")
    words = dict(row.filters)
    simulated = any(one.state.get("simulated") for one in sheet.filters)
    return (
        f"<h1>{text(row.name)}</h1><p>{text(whose)}</p>"
        + ('<p class="simulated">Simulated: no real water is watched here</p>' if simulated else "")
        + f'<section class="card"><h2>{shape(sign)}{text(row.hearing.capitalize())}</h2>'
        f"<p>{text(row.words[:1].upper() + row.words[1:])}.{text(heard)}</p>{advice}</section>"
        f'<section class="card"><h2>Alarms</h2>{alarms}</section><div class="cards">'
        + "".join(_filter(one, words.get(one.name, ""), clock) for one in sheet.filters)
        + "</div>"
    )


def _filter(one: FilterView, words: str, clock: Clock) -> str:
    state = one.state
    value, unit = flow(state.get("flow_l_per_h"), False)
    clean, _ = flow(state.get("clean_flow_l_per_h"), False)
    degrees, degree = temperature(state.get("temperature_c"), False)
    at_s = one.state_utc_s
    rows = [
        ("Of clean flow", per_cent(state.get("share_of_clean"))),
        ("Flow", f"{value} {unit} of {clean} {unit} clean"),
        ("Water", f"{degrees} {degree}"),
        ("Learning", str(state.get("learning", "")).replace("-", " ")),
        ("By the site's clock", "" if at_s is None else clock(at_s)),
    ]
    told = "".join(f"<tr><th scope='row'>{k}</th><td>{text(v)}</td></tr>" for k, v in rows if v)
    states = "".join(
        f"<li>{text(kind.replace('-', ' '))}: {text(standing)}</li>"
        for kind, standing in sorted(state.get("alarm_states", {}).items())
        if standing != "normal"
    )
    cleanings = "".join(
        f"<li>{text(clock(c.utc_s))}{text(', by ' + c.by if c.by else '')}{_clean_was(c)}</li>"
        for c in reversed(one.cleanings[-_CLEANINGS:])
    )
    return (
        f'<section class="card"><h2>{text(one.name)}</h2><p class="sentence">{text(words)}</p>'
        + (f"<table><tbody>{told}</tbody></table>" if state else "")
        + (f"<h3>Not normal</h3><ul>{states}</ul>" if states else "")
        + f"<h3>Cleanings</h3>{f'<ul>{cleanings}</ul>' if cleanings else '<p>None is on record.</p>'}"
        "</section>"
    )


def _clean_was(one: Cleaning) -> str:
    if one.clean_flow_l_per_h is None:
        return ""
    return f"; clean flow until then {' '.join(flow(one.clean_flow_l_per_h, False))}"
