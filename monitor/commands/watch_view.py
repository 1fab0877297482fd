"""What `canister status --watch` draws: lines for a terminal of any size, worst things first."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from monitor.commands.common import flow_words, percent, shown_event, temperature_words
from monitor.drawing.spark import spark
from monitor.units import duration_words, m3_per_s

_LEAST_WIDTH = 20
_FIGURES = 26  # columns for a figure before its row of characters
_LEAST_SPARK = 8
_LEAST_SPAN_K = 2.0  # a probe's last bit must not look like a heater
_ASCII = str.maketrans({"–": "-", "°": "", "·": "-", "…": "~", "×": "x", "─": "-"})


class Line(msgspec.Struct, frozen=True):
    """One line of the screen and how it is shown: plain, bold, dim, or alarm."""

    words: str
    style: str = ""


class Trace(msgspec.Struct, frozen=True):
    """The last hours of one filter: flow in m³/s and temperature in °C, oldest first."""

    flow: Sequence[float | None]
    temperature: Sequence[float | None]


class Screen(msgspec.Struct, frozen=True):
    """What there is to draw on.

    Attributes:
        width, height: columns and rows.
        plain: only ASCII can be shown.
        us: whether people read US units.
    """

    width: int
    height: int
    plain: bool = False
    us: bool = False


class Glance(msgspec.Struct, frozen=True):
    """What is known at one moment.

    Attributes:
        site: its name.
        clock: the time in words.
        state: where the picture comes from and how old it is; `live` whether it is fresh.
        filters: the fields of each filter's state, with `sentence`; names for people; traces by id.
        of_site: the alarms of the site itself.
        troubles: what needs a look.
        events: what happened last.
        span_s: what the traces cover.
    """

    site: str
    clock: str
    state: str
    live: bool
    filters: Sequence[Mapping[str, Any]]
    names: Mapping[str, str]
    traces: Mapping[str, Trace]
    of_site: Mapping[str, Any]
    troubles: Sequence[str]
    events: Sequence[Mapping[str, Any]]
    span_s: float


def frame(now: Glance, screen: Screen) -> list[Line]:
    """Return the lines of one picture, no more and no wider than the screen.

    Filters are shown as fully as all of them find room; what does not is said in the last line. What
    happened last takes what is left.
    """
    width = max(_LEAST_WIDTH, screen.width)
    head = [
        Line(f"{now.site} · {now.clock}", "bold"),
        Line(now.state, "dim" if now.live else "alarm"),
    ]
    head += [Line(words, "alarm") for words in _alarms(now.of_site, "site: ")]
    head += [Line(f"needs a look: {words}", "alarm") for words in now.troubles]
    foot = [Line(_foot(now.span_s, width), "dim")]
    room = screen.height - len(head) - len(foot)
    body: list[Line] = []
    for draw in (_full, _short, _least):
        body = [line for row in now.filters for line in draw(row, now, screen, width)]
        if len(body) <= room:
            break
    if len(body) > room:
        left = len(now.filters) - max(0, room - 1)
        body = [
            *body[: max(0, room - 1)],
            Line(f"… and {left} more: a taller window shows them", "alarm"),
        ]
    body += _events(now, screen, room - len(body))
    lines = [*head, *body, *foot][: max(1, screen.height)]
    return [Line(_fit(line.words, width, screen.plain), line.style) for line in lines]


def _full(row: Mapping[str, Any], now: Glance, screen: Screen, width: int) -> list[Line]:
    said = _sentence(row, now)
    lines = [Line(part, "bold") for part in textwrap.wrap(said, width, subsequent_indent="  ")]
    lines += [Line(f"  {words}", "alarm") for words in _alarms(row)]
    if row["simulated"]:
        lines.append(Line("  SIMULATED: no real water is watched here"))
    return lines + _traces(row, now, screen, width)


def _short(row: Mapping[str, Any], now: Glance, screen: Screen, width: int) -> list[Line]:
    open_alarms = bool(row["alarms"])
    first = Line(_sentence(row, now), "alarm" if open_alarms else "bold")
    return [first, *_traces(row, now, screen, width)[:1]]


def _least(row: Mapping[str, Any], now: Glance, screen: Screen, width: int) -> list[Line]:
    mark = "! " if row["alarms"] else "  "
    share = percent(row["share_of_clean"])
    words = f"{mark}{share:>4} {_sentence(row, now)}"
    return [Line(words, "alarm" if row["alarms"] else "")]


def _sentence(row: Mapping[str, Any], now: Glance) -> str:
    name = now.names.get(row["filter"]) or row["filter"]
    return f"{name}: {row['sentence']}"


def _alarms(row: Mapping[str, Any], before: str = "") -> list[str]:
    return [
        f"{'! ' if name in row['alarms'] else ''}{before}{name.replace('-', ' ')}, {state}"
        for name, state in row["alarm_states"].items()
    ]


def _traces(row: Mapping[str, Any], now: Glance, screen: Screen, width: int) -> list[Line]:
    trace = now.traces.get(row["filter"], Trace((), ()))
    clean_l_per_h = row["clean_flow_l_per_h"]
    flow = flow_words(row["flow_l_per_h"], screen.us)
    if clean_l_per_h:  # the unit once
        flow = f"{flow.split(' ')[0]} of {flow_words(clean_l_per_h, screen.us)}"
    clean = m3_per_s(clean_l_per_h) if clean_l_per_h else 0.0
    top = max([clean, *(v for v in trace.flow if v is not None)], default=0.0)
    lines = [_trace("flow", flow, trace.flow, (0.0, top), True, screen, width)]
    if row["temperature_c"] is not None or any(v is not None for v in trace.temperature):
        known = [v for v in trace.temperature if v is not None]
        middle = (min(known) + max(known)) / 2 if known else 0.0
        half = max(_LEAST_SPAN_K, max(known) - min(known)) / 2 if known else 1.0
        warm = temperature_words(row["temperature_c"], screen.us)
        span = (middle - half, middle + half)
        lines.append(_trace("water", warm, trace.temperature, span, False, screen, width))
    return lines


def _trace(
    what: str, figure: str, values: Sequence[float | None], span: tuple[float, float], floor: bool,
    screen: Screen, width: int,
) -> Line:  # fmt: skip
    words = f"  {what} {figure}"
    room = width - _FIGURES - 1
    if room < _LEAST_SPARK or len(words) > _FIGURES:
        return Line(words)
    shown = list(values)[-room:]
    return Line(f"{words:<{_FIGURES}} {spark(shown, *span, screen.plain, floor)}")


def trace_columns(width: int) -> int:
    """Return how many values of a trace a screen of this width shows, at least one."""
    return max(1, max(_LEAST_WIDTH, width) - _FIGURES - 1)


def _events(now: Glance, screen: Screen, room: int) -> list[Line]:
    """The newest that fit, under a blank line."""
    if room < 2 or not now.events:
        return []
    return [Line("")] + [
        Line(f"{str(e['time'])[5:16].replace('T', ' ')} UTC  {e['filter'] or 'site'}: {shown_event(dict(e))}", "dim")
        for e in now.events[-(room - 1) :]
    ]  # fmt: skip


def _foot(span_s: float, width: int) -> str:
    ends = "Ctrl-C ends"
    whole = (
        f"{ends} · traces: the last {duration_words(span_s)}, blank where there is no reading yet"
    )
    return whole if len(whole) <= width else ends


def _fit(words: str, width: int, plain: bool) -> str:
    printable = "".join(c if c.isprintable() else "?" for c in words)
    if plain:
        printable = printable.translate(_ASCII).encode("ascii", "replace").decode()
    if len(printable) <= width:
        return printable
    return printable[: width - 1] + ("~" if plain else "…")
