"""The first screen: the site, then each filter with its sentence, figures, alarms and deeds. Pure.

Each part that changes while the page is open is a fragment with a key of its own, so that only what
has changed is sent, and a button that has the focus keeps it.
"""

from __future__ import annotations

from monitor.page import gauges, words
from monitor.page.markup import figure, hidden, live, select, shape, text
from monitor.page.port import AlarmView, FilterView, SiteView
from monitor.page.words import Clock
from monitor.records import AlarmState

Fragments = dict[str, str]

_FEEDING = (("5", "5 min"), ("10", "10 min"), ("15", "15 min"), ("30", "30 min"), ("60", "1 h"))
_SHELVING = (("60", "1 h"), ("240", "4 h"), ("480", "8 h"), ("1440", "24 h"))


def fragments(site: SiteView, csrf: str, clock: Clock, second: Clock) -> Fragments:
    """Return every part of the first screen that may change, by key."""
    found = {
        "site-watch": watch_line(site, second),
        "site-notes": _notes(site),
        "site-alarms": alarms_block(site.alarms, csrf, clock),
    }
    for one in site.filters:
        found |= of_filter(one, site, csrf, clock)
    return found


def of_filter(one: FilterView, site: SiteView, csrf: str, clock: Clock) -> Fragments:
    """Return the parts of one filter that may change, by key."""
    return {
        f"{one.id}-standing": _standing(one, site),
        f"{one.id}-sentence": text(words.sentence(one, site)),
        f"{one.id}-figures": _figures(one, site),
        f"{one.id}-alarms": alarms_block(one.alarms, csrf, clock),
        f"{one.id}-deeds": deeds(one, csrf, clock),
    }


def body(site: SiteView, found: Fragments) -> str:
    """Return the first screen's content."""
    if site.problem:
        cards = (
            '<section class="card empty"><h2>Nothing to show yet</h2>'
            f"<p>{text(site.problem)}</p>"
            "<p>This page fills by itself as soon as the journal is there.</p></section>"
        )
    else:
        cards = "".join(card(one, found) for one in site.filters)
    return (
        live("site-watch", found["site-watch"], "p", "watch")
        + live("site-notes", found["site-notes"])
        + live("site-alarms", found["site-alarms"])
        + f'<div class="cards">{cards}</div>'
    )


def card(one: FilterView, found: Fragments, heading: str = "h2", more: bool = True) -> str:
    """Return one filter's card; with `more` it leads to the filter's own view."""
    key = one.id
    name = f'<a href="/filter/{key}">{text(one.name)}</a>' if more else text(one.name)
    onward = (
        f'<p class="more"><a href="/filter/{key}">Days, forecast and cleanings of {text(one.name)}</a></p>'
        if more
        else ""
    )
    simulated = '<p class="simulated">Simulated: no real water is watched here</p>'
    return (
        f'<section class="card filter" tabindex="-1" aria-labelledby="{key}-name"><header>'
        f'<{heading} id="{key}-name">{name}</{heading}>'
        + live(f"{key}-standing", found[f"{key}-standing"], "p", "standing")
        + "</header>"
        + (simulated if one.simulated else "")
        + '<div class="parts"><div>'
        + live(f"{key}-sentence", found[f"{key}-sentence"], "p", "sentence")
        + live(f"{key}-figures", found[f"{key}-figures"])
        + "</div>"
        + live(f"{key}-alarms", found[f"{key}-alarms"])
        + "</div>"
        + live(f"{key}-deeds", found[f"{key}-deeds"])
        + onward
        + "</section>"
    )


def watch_line(site: SiteView, second: Clock) -> str:
    """Return whether somebody watches now."""
    sign, said = words.watch(site, second)
    return f"{shape(sign)} {text(said)}"


def _notes(site: SiteView) -> str:
    lines = [f"<li>Needs a look: {text(line)}</li>" for line in site.troubles]
    lines += [f"<li>Reminder: {text(line)}</li>" for line in site.reminders]
    return f'<ul class="notes">{"".join(lines)}</ul>' if lines else ""


def _standing(one: FilterView, site: SiteView) -> str:
    sign, said = words.standing(one, site)
    return f"{shape(sign)} {text(said)}"


def _figures(one: FilterView, site: SiteView) -> str:
    us, (low, high) = site.us, one.band
    value, unit = words.flow(one.flow, us)
    clean, _ = words.flow(one.clean, us)
    of_clean = f"of {clean} {unit} clean flow, {one.clean_words}"
    if one.clean is None:
        of_clean = "clean flow is not known yet"
    old = "" if site.live else '<p class="old">As last seen:</p>'
    parts = [
        figure(words.per_cent(one.share), "", "of clean flow"),
        figure(value, unit, "flow, over 10\u202fs", of_clean),
    ]
    if one.has_probe:
        degrees, degree = words.temperature(one.temperature, us)
        where = words.in_band(one.temperature, low, high)
        note = f"{where}, {words.band(low, high, us)}" if where else words.band(low, high, us)
        parts.append(figure(degrees, degree, "water", note))
    return (
        f'{old}<dl class="figures{"" if site.live else " dim"}">{"".join(parts)}</dl>'
        + gauges.flow_bar(one.share, one.limits)
        + (gauges.temperature_ruler(one.temperature, low, high) if one.has_probe else "")
    )


def alarms_block(found: tuple[AlarmView, ...], csrf: str, clock: Clock) -> str:
    """Return the alarms that are not normal, each with what to do and its buttons."""
    return "".join(_alarm(one, csrf, clock) for one in found)


def _alarm(one: AlarmView, csrf: str, clock: Clock) -> str:
    sign, how_soon = words.priority(one)
    if one.state == AlarmState.SUPPRESSED:
        name = text(words.alarm_name(one.kind))
        return f'<p class="minor">{shape(sign)} {name}: {text(words.state(one, clock))}</p>'
    key = f"alarm-{one.filter_id or 'site'}-{one.kind}"
    quiet = one.state in words.QUIET
    rows = [
        ("Cause", words.cause(one)),
        ("Seen", one.evidence),
        ("What to do", one.advice if one.active else ""),
        ("If nothing is done", one.consequence if one.active else ""),
    ]
    told = "".join(f"<dt>{label}</dt><dd>{text(said)}</dd>" for label, said in rows if said)
    level = "quiet" if quiet or not one.active else str(one.priority)
    return (
        f'<article class="alarm {level}" aria-labelledby="{key}">'
        f'<h3 id="{key}">{shape(sign)} {text(words.alarm_name(one.kind))}'
        f'<span class="soon">{text(how_soon if one.active else "over")}</span></h3>'
        f'<p class="state">{text(words.state(one, clock))}</p>'
        + (f"<dl>{told}</dl>" if told else "")
        + _alarm_forms(one, key, csrf)
        + "</article>"
    )


def _alarm_forms(one: AlarmView, key: str, csrf: str) -> str:
    name = text(words.alarm_name(one.kind).lower())
    about = hidden("filter", one.filter_id) + hidden("alarm", one.kind)
    forms = []
    if one.state in words.CAN_ACKNOWLEDGE:
        forms.append(
            form("acknowledge", about + hidden("occurrence", one.occurrence), csrf,
                 button(f"{key}-acknowledge", "Acknowledge", name, main=True))
        )  # fmt: skip
    if one.state in words.QUIET:
        order = "unshelve" if one.state == AlarmState.SHELVED else "in-service"
        forms.append(form(order, about, csrf, button(f"{key}-unshelve", "Hear it again", name)))
    elif one.active:
        choice = select(f"{key}-minutes", "minutes", "Shelve for", _SHELVING, "480")
        forms.append(form("shelve", about + choice, csrf, button(f"{key}-shelve", "Shelve", name)))
    return f'<div class="acts">{"".join(forms)}</div>' if forms else ""


def deeds(one: FilterView, csrf: str, clock: Clock) -> str:
    """Return what a person does with a filter: a feeding pause, a cleaning."""
    about, name = hidden("filter", one.id), text(one.name)
    said, forms = [], []
    if one.pause is not None:
        said.append(words.pause(one, clock))
        resume = button(f"{one.id}-resume", "End the pause", name, main=True)
        forms.append(form("resume", about, csrf, resume))
    else:
        choice = select(f"{one.id}-minutes", "minutes", "Feeding pause of", _FEEDING, "15")
        begin = button(f"{one.id}-feeding", "Begin pause", name)
        forms.append(form("feeding", about + choice, csrf, begin))
    cleaned = button(f"{one.id}-cleaned", "I have cleaned it", name)
    forms.append(form("cleaned", about, csrf, cleaned))
    if one.cleaned_utc_s is not None:
        said.append(f"Last cleaned {clock(one.cleaned_utc_s)}.")
    if one.undo:
        undo = button(f"{one.id}-undo", "Not cleaned: take it back", name)
        forms.append(form("cleaned-undo", about, csrf, undo))
    lines = "".join(f"<p>{text(line)}</p>" for line in said)
    return f'{lines}<div class="acts">{"".join(forms)}</div>'


def form(order: str, fields: str, csrf: str, submit: str) -> str:
    """Return a form that gives one order."""
    return (
        f'<form method="post" action="/act" data-act>{hidden("csrf", csrf)}{hidden("order", order)}'
        f"{fields}{submit}</form>"
    )


def button(key: str, words_on_it: str, about: str, main: bool = False) -> str:
    """Return a button; a screen reader also hears what it is about."""
    css = ' class="main"' if main else ""
    return f'<button id="{key}" type="submit"{css}>{words_on_it}<span class="unseen">, {about}</span></button>'
