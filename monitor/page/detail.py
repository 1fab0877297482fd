"""A filter's own view: its card, then charts, stops, cleanings, the sizing model, the sheet. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from monitor.page import chart, overview, words
from monitor.page.chart import Frame, Tick
from monitor.page.markup import live, text
from monitor.page.overview import Fragments
from monitor.page.port import FilterView, History, SiteView, Sizing
from monitor.page.words import Clock
from monitor.units import LITRES_PER_US_GALLON, SECONDS_PER_DAY, duration_words, fahrenheit

SPANS = ((2.0, "2 days"), (14.0, "14 days"), (90.0, "90 days"), (730.0, "2 years"))
_ROWS = 14
_MOST_FOULING = 2.0
_MOST_LISTED = 20

Ticks = Callable[[float, float], Sequence[Tick]]
"""Gives times between two others, with labels in the board's own zone."""


def chosen_days(written: str) -> float:
    """Return the span that was asked for; anything else is the usual one."""
    return next((days for days, _ in SPANS if written == f"{days:g}"), 14.0)


def body(
    one: FilterView, site: SiteView, found: Fragments, drawn: str, days: float,
    sized: str, sheets: Sequence[str],
) -> str:  # fmt: skip
    """Return the view's content."""
    links = "".join(
        f'<li><a href="/filter/{one.id}?days={span:g}"'
        f"{' aria-current=' + chr(34) + 'true' + chr(34) if span == days else ''}>{name}</a></li>"
        for span, name in SPANS
    )
    return (
        '<p><a href="/">All filters</a></p>'
        + live("site-watch", found["site-watch"], "p", "watch")
        + live("site-alarms", found["site-alarms"])
        + f'<div class="cards lone">{overview.card(one, found, heading="h1", more=False)}</div>'
        + f'<nav aria-label="How far back"><ul class="spans"><li>How far back:</li>{links}</ul></nav>'
        + live(f"{one.id}-charts", drawn, css="charts")
        + f'<div class="charts paper">{live(f"{one.id}-sizing", sized)}{_sheets(sheets)}</div>'
    )


def charts(past: History, one: FilterView, us: bool, clock: Clock, ticks: Ticks) -> str:
    """Return the charts and the lists of a filter's past."""
    parts = [_flow(past, one, us, ticks), _fouling(past, one, ticks)]
    if one.has_probe:
        parts.append(_temperature(past, one, us, ticks))
    parts += [_stops(past, clock), _deeds(past, us, clock)]
    return "".join(parts)


def _card(title: str, content: str, more: str = "") -> str:
    return f'<section class="card"><h2>{text(title)}</h2>{content}{more}</section>'


def _empty(title: str) -> str:
    return _card(title, "<p>Nothing is on record for this time yet.</p>")


def _flow(past: History, one: FilterView, us: bool, ticks: Ticks) -> str:
    factor, unit = (1 / LITRES_PER_US_GALLON if us else 1.0), words.flow(None, us)[1]
    flow, low, high, clean = (
        [None if v is None else v * factor for v in values]
        for values in (past.flow, past.lowest, past.highest, past.clean)
    )
    known = [v for v in (*high, *clean) if v is not None]
    if not known:
        return _empty("Flow against clean flow")
    told = (
        f"Flow {_between(flow, unit)}; clean flow {_between(clean, unit)}; {len(past.stops)} stops, "
        f"{len(past.deeds)} cleanings."
    )
    frame = Frame(
        f"{one.id}-flow", f"Flow and clean flow in {unit}", told, past.since_utc_s, past.until_utc_s,
        0.0, chart.round_up(max(known)), ticks(past.since_utc_s, past.until_utc_s), step_s=past.step_s,
    )  # fmt: skip
    drawn = chart.framed(
        frame,
        [
            chart.spread(frame, past.utc_s, low, high),
            *_stretches(frame, past),
            *_uprights(frame, past),
            chart.curve(frame, past.utc_s, clean, "other-line"),
            chart.curve(frame, past.utc_s, flow, "main-line"),
        ],
    )
    key = (
        f"Solid: flow in {unit}, its lowest and highest as a tint. Dashed: clean flow. Pointer: cleaned. "
        "Upright tint: stopped."
    )
    return _card("Flow against clean flow", drawn + _key(key), _numbers(past, us, ticks))


def _fouling(past: History, one: FilterView, ticks: Ticks) -> str:
    title = "Resistance on its way to due"
    known = [v for v in past.fouling if v is not None]
    if not known:
        return _empty(title)
    ahead, now_s = one.due, past.until_utc_s
    to_s, fan = now_s, None
    if ahead is not None and ahead.median_days is not None and one.fouling is not None:
        low_s, middle_s, high_s = (
            now_s + SECONDS_PER_DAY * (days or 0.0)
            for days in (ahead.low_days, ahead.median_days, ahead.high_days)
        )
        # As far ahead as back, so that the past keeps its room.
        to_s = min(high_s + 0.05 * (high_s - now_s), now_s + (now_s - past.since_utc_s))
        fan = (low_s, middle_s, high_s)
    percent = [None if v is None else 100 * min(v, _MOST_FOULING) for v in past.fouling]
    top = chart.round_up(max(125.0, *(v for v in percent if v is not None)))
    told = f"Resistance {_between(percent, 'per cent')} of that at due; due {words.due(ahead)}."
    frame = Frame(
        f"{one.id}-fouling", title, told, past.since_utc_s, max(to_s, now_s), 0.0, top,
        ticks(past.since_utc_s, max(to_s, now_s)), now_s, past.step_s,
    )  # fmt: skip
    parts = [chart.limit(frame, 100.0), *_uprights(frame, past)]
    if fan is not None and one.fouling is not None:
        parts.append(chart.fan(frame, now_s, 100 * one.fouling, *fan, 100.0))
    parts.append(chart.curve(frame, past.utc_s, percent, "main-line"))
    key = (
        "Added resistance as % of that at which cleaning is due (dotted). Behind the upright line for "
        "now: where it goes in 8 of 10 cases (tint), the middle dashed. Pointer: cleaned."
    )
    said = f"<p><strong>Cleaning due: {text(words.due(ahead))}.</strong></p>"
    return _card(title, said + chart.framed(frame, parts) + _key(key))


def _temperature(past: History, one: FilterView, us: bool, ticks: Ticks) -> str:
    unit = words.temperature(None, us)[1]
    warm = [None if v is None else fahrenheit(v) if us else v for v in past.temperature]
    known = [v for v in warm if v is not None]
    if not known:
        return _empty("Water temperature")
    low, high = (None if v is None else fahrenheit(v) if us else v for v in one.band)
    edges = [*known, *(v for v in (low, high) if v is not None)]
    frame = Frame(
        f"{one.id}-water", f"Water temperature in {unit}", f"Water {_between(warm, unit, 1)}; "
        f"{words.band(*one.band, us)}.", past.since_utc_s, past.until_utc_s, min(edges) - 1.0,
        max(edges) + 1.0, ticks(past.since_utc_s, past.until_utc_s), step_s=past.step_s,
    )  # fmt: skip
    parts = [chart.curve(frame, past.utc_s, warm, "main-line")]
    for edge in (low, high):
        if edge is not None:
            parts.insert(0, chart.limit(frame, edge))
    if low is not None and high is not None:
        parts.insert(0, chart.inner(frame, low, high))
    key = (
        f"Solid: water in {unit}. Tint between dotted lines: its band, {words.band(*one.band, us)}."
    )
    return _card("Water temperature", chart.framed(frame, parts) + _key(key))


def _uprights(frame: Frame, past: History) -> list[str]:
    return [chart.upright(frame, deed.utc_s) for deed in past.deeds if not deed.undone]


def _stretches(frame: Frame, past: History) -> list[str]:
    return [
        chart.stretch(frame, s.from_utc_s, past.until_utc_s if s.to_utc_s is None else s.to_utc_s)
        for s in past.stops
    ]


def _between(values: Sequence[float | None], unit: str, digits: int = 0) -> str:
    known = [v for v in values if v is not None]
    if not known:
        return "not known"
    return f"{min(known):.{digits}f} to {max(known):.{digits}f} {unit}, now {known[-1]:.{digits}f}"


def _key(said: str) -> str:
    return f'<p class="note">{text(said)}</p>'


def _numbers(past: History, us: bool, ticks: Ticks) -> str:
    """The same in numbers: some rows, evenly spread, for whoever does not see curves."""
    every = max(1, len(past.utc_s) // _ROWS)
    day = {at: ticks(past.utc_s[at], past.utc_s[at]) for at in range(0, len(past.utc_s), every)}
    rows = "".join(
        f'<tr><th scope="row">{text(said[0][1] if said else "")}</th>'
        f'<td class="number">{words.flow(past.flow[at], us)[0]}</td>'
        f'<td class="number">{words.flow(past.clean[at], us)[0]}</td>'
        f'<td class="number">{words.temperature(past.temperature[at], us)[0]}</td></tr>'
        for at, said in day.items()
    )
    flow, warm = words.flow(None, us)[1], words.temperature(None, us)[1]
    return (
        f'<details id="numbers"><summary>The same in numbers</summary><div class="scroll" tabindex="0" '
        'role="region" aria-label="The same in numbers"><table>'
        f'<thead><tr><th scope="col">when</th><th scope="col" class="number">flow, {flow}</th>'
        f'<th scope="col" class="number">clean, {flow}</th><th scope="col" class="number">water, {warm}'
        f"</th></tr></thead><tbody>{rows}</tbody></table></div></details>"
    )


def _stops(past: History, clock: Clock) -> str:
    if not past.stops:
        return _card("Stops", "<p>None in this time.</p>")
    rows = ""
    for stop in past.stops[: -_MOST_LISTED - 1 : -1]:
        lasted = (
            "still" if stop.to_utc_s is None else duration_words(stop.to_utc_s - stop.from_utc_s)
        )
        rows += (
            f'<tr><th scope="row">{text(clock(stop.from_utc_s))}</th><td>{lasted}</td>'
            f"<td>{text(words.cause_name(stop.cause))}</td></tr>"
        )
    head = '<th scope="col">when</th><th scope="col">how long</th><th scope="col">likely cause</th>'
    return _card("Stops", _table(head, rows, len(past.stops)))


def _deeds(past: History, us: bool, clock: Clock) -> str:
    if not past.deeds:
        return _card("Cleanings", "<p>None in this time.</p>")
    rows = ""
    for deed in past.deeds[: -_MOST_LISTED - 1 : -1]:
        what = "taken back" if deed.undone else "cleaned"
        value, unit = words.flow(deed.flow, us)
        rows += (
            f'<tr><th scope="row">{text(clock(deed.utc_s))}</th><td>{what}</td>'
            f"<td>{value} {unit}</td><td>{text(deed.by)}</td></tr>"
        )
    head = (
        '<th scope="col">when</th><th scope="col">what</th><th scope="col">flow just before</th>'
        '<th scope="col">who</th>'
    )
    return _card("Cleanings", _table(head, rows, len(past.deeds)))


def _table(head: str, rows: str, count: int) -> str:
    cut = (
        f"<caption>The newest {_MOST_LISTED} of {count}.</caption>" if count > _MOST_LISTED else ""
    )
    return (
        f'<div class="scroll"><table>{cut}<thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def sizing(one: FilterView, sized: Sizing | None, us: bool) -> str:
    """Return what the sizing model says of a filter."""
    title = _SIZING
    if sized is None:
        return _card(title, "<p>Nothing: the pump is not described in the configuration.</p>")
    value, unit = words.flow(sized.clean, us)
    low, high = (words.flow(v, us)[0] for v in sized.plausible)
    lines = [
        f"<p>Clean flow {value} {unit}, plausibly {low} to {high}; head {sized.head_m:.2f} m.</p>"
    ]
    if one.clean is not None and one.clean_words == "measured":
        share = words.per_cent(one.clean / sized.clean)
        lines.append(f"<p>Measured clean flow is {share} of that.</p>")
    rows = "".join(
        f'<tr><th scope="row">{text(part)}</th><td class="number">{words.per_cent(share)}</td></tr>'
        for part, share in sized.losses
    )
    head = '<th scope="col">part</th><th scope="col" class="number">of the head lost</th>'
    remarks = "".join(f"<li>{text(line)}</li>" for line in sized.remarks)
    more = (
        f'<details id="remarks"><summary>Remarks</summary><ul>{remarks}</ul></details>'
        if remarks
        else ""
    )
    return _card(title, "".join(lines) + _table(head, rows, 0), more)


_SIZING = "What the sizing model says"
NOT_SIZED_YET = _card(_SIZING, "<p>It is being worked out.</p>")


def _sheets(names: Sequence[str]) -> str:
    title = "Commissioning sheet"
    if not names:
        return _card(title, "<p>None yet; it is made by <code>canister commission</code>.</p>")
    links = "".join(f'<li><a href="/sheet/{text(n)}">{text(n)}</a></li>' for n in names)
    return _card(title, f"<ul>{links}</ul>")
