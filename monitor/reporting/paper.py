"""A report as one HTML document that stands alone: no script, no file beside it, made to be printed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape

from monitor.drawing.timeline import Axis, Curve, ticks, timeline
from monitor.records import AlarmKind, EventKind
from monitor.reporting.hours import Band, Span, of_day
from monitor.reporting.incidents import Incident
from monitor.reporting.summary import FilterPart, Report, before_cleaning, oxygen, sentences
from monitor.reporting.words import Reader, cause_words, lasted, share_words

_HOURLY_UP_TO_DAYS = 62
_MOST_TICKS = 9
_UNBROKEN = 14
STYLE = """
@page{size:A4;margin:16mm 14mm;@bottom-right{content:counter(page) " / " counter(pages);font-size:9pt}}
:root{color-scheme:light}
body{font:11pt/1.45 system-ui,"DejaVu Sans",sans-serif;color:#1c2b33;background:#fff;max-width:46rem;margin:0 auto;padding:1rem}
h1{font-size:1.5em;line-height:1.2;margin:.2em 0}h2{font-size:1.2em;margin:1.6em 0 .3em;border-bottom:2px solid #0b7285;padding-bottom:.15em}
h3{font-size:1em;margin:1.2em 0 .2em}p{margin:.3em 0}.pale{color:#51626c}ul{margin:.4em 0;padding-left:1.2em}
.mark{border:2px solid #c92a2a;padding:.3em .6em;font-weight:bold}
table{border-collapse:collapse;width:100%;font-size:.85em;margin:.3em 0}th,td{text-align:left;vertical-align:top;padding:.2em .5em .2em 0;border-bottom:1px solid #d5dde1}
th{font-weight:600}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}tr{break-inside:avoid}thead{display:table-header-group}
svg{display:block;width:100%;height:auto;margin:.6em 0}h2,h3{break-after:avoid}svg,.box{break-inside:avoid}
"""  # fmt: skip
_DID = {
    EventKind.CLEANED: "cleaned",
    EventKind.CLEANED_UNDONE: "cleaning taken back",
    EventKind.PAUSED: "paused",
    EventKind.PAUSE_ENDED: "pause over",
    EventKind.ACKNOWLEDGED: "acknowledged",
    EventKind.SHELVED: "shelved",
    EventKind.UNSHELVED: "heard again",
    EventKind.OUT_OF_SERVICE: "taken out of service",
    EventKind.IN_SERVICE: "back in service",
}


def as_html(report: Report, reader: Reader) -> str:
    """Return the document."""
    made = f"Made {report.made_words} by canister-monitor from its own record."
    parts = opening(f"{report.site}: {report.span_words}", report.heading, made)
    if report.simulated:
        parts.append(SIMULATED)
    for part in report.filters:
        parts += filter_section(part, report, reader)
    return closed([*parts, *site_section(report, reader)])


SIMULATED = (
    '<p class="mark">SIMULATED: the figures come from a simulated filter, not from water.</p>'
)


def opening(title: str, heading: str, made: str, more_style: str = "") -> list[str]:
    """Return how a document begins.

    Args:
        title: what it is about.
        heading: above it, empty for none.
        made: when it was made, and of what.
        more_style: more rules of style.
    """
    return [
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>',
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>',
        f"<title>{safe(title)}</title><style>{STYLE}{more_style}</style></head><body>",
        f'<p class="pale">{safe(heading)}</p>' if heading else "",
        f"<h1>{safe(title)}</h1>",
        f'<p class="pale">How the canister filters ran. {safe(made)}</p>',
    ]


def closed(parts: Sequence[str]) -> str:
    """Return a document whole, with what every reader must know at its end."""
    last = (
        '<p class="pale">A sensor in the outlet hose counts the water; what no reading covers is called not known. Clean '
        "flow is what the filter gave when it was last clean. When cleaning is due and how long the canister's oxygen "
        "lasts are estimates. An alarm can fail to reach people: this is one more pair of eyes, never the only "
        "safeguard for living animals.</p></body></html>\n"
    )
    return "\n".join(p for p in [*parts, last] if p)


def filter_section(part: FilterPart, report: Report, reader: Reader) -> list[str]:
    """Return all that is said of one filter."""
    span, days = report.span, report.days
    said = "".join(f"<li>{safe(s)}</li>" for s in sentences(part, span, days, reader))
    parts = [f"<h2>{safe(part.name)}</h2>", f"<ul>{said}</ul>", flow_chart(part, report, reader)]
    parts += _cleanings(part, span, reader)
    parts += _stops(part, reader)
    if part.probe and any(h.warm_s for h in part.hours):
        parts.append(warm_chart(part, report, reader))
    parts += _alarms("Temperature out of its band", part.temperatures, reader)
    parts += _alarms("Other alarms", part.others, reader)
    parts += _done(part, reader)
    parts += _noticed(part, reader)
    return [*parts, *_days(part, report, reader)]


def _cleanings(part: FilterPart, span: Span, reader: Reader) -> list[str]:
    rows = []
    for one in part.cleanings:
        learned, clean = one.learned_m3_per_s, one.clean_m3_per_s
        share = learned / clean if learned and clean and not one.renewed else None
        rows.append((
            reader.stamp(one.utc_s), one.by or "not said", reader.flow(before_cleaning(part, span, one)),
            "not yet learned" if learned is None else reader.flow(learned),
            "another filter" if one.renewed else share_words(share),
        ))  # fmt: skip
    head = ("when", "who", "flow the day before", "clean flow after", "of the clean flow before")
    return table("Cleanings, and what they restored", head, rows, 2)


def _stops(part: FilterPart, reader: Reader) -> list[str]:
    head = ["from", "how long", "likely cause", "seen by"]
    rows = [[reader.stamp(i.raised_utc_s), _length(i), _why(i), _answered(i)] for i in part.stops]
    if part.stocking:  # else nobody knows here what lives there, and nothing can be said of oxygen
        head.append("short of oxygen?")
        rows = [[*row, oxygen(part, i)] for row, i in zip(rows, part.stops, strict=True)]
    return table("Stops", head, rows)


def _alarms(title: str, found: Sequence[Incident], reader: Reader, of: str = "alarm") -> list[str]:
    rows = [
        (alarm_words(i.alarm), reader.stamp(i.raised_utc_s), _length(i), _why(i), _answered(i))
        for i in found
    ]
    return table(title, (of, "from", "how long", "likely cause", "seen by"), rows)


def alarm_words(kind: AlarmKind) -> str:
    """Return an alarm's name in words."""
    return kind.value.replace("-", " ")


def _length(incident: Incident) -> str:
    if incident.lost_end:
        return "its end is not on record"
    return "still stands" if incident.lasted_s is None else lasted(incident.lasted_s)


def _why(incident: Incident) -> str:
    cause = cause_words(incident.cause)
    return f"{cause}: {incident.evidence}" if incident.evidence else cause


def _answered(incident: Incident) -> str:
    if incident.by is None or incident.after_s is None:
        return "nobody"
    return f"{incident.by or 'somebody'}, after {lasted(incident.after_s)}"


def _done(part: FilterPart, reader: Reader) -> list[str]:
    rows = [
        (reader.stamp(e.utc_s), _DID[e.event] + (f" {alarm_words(e.alarm)}" if e.alarm else ""),
         e.by or "not said", "" if e.alarm else e.evidence)
        for e in part.deeds
    ]  # fmt: skip
    return table("What was done", ("when", "what", "who", "note"), rows)


def _noticed(part: FilterPart, reader: Reader) -> list[str]:
    rows = [
        (cause_words(cause), str(count), reader.stamp(last.utc_s), last.evidence)
        for cause, count, last in part.noticed
    ]
    return table("Noticed, without an alarm", ("what", "how often", "last", "then"), rows)


def _days(part: FilterPart, report: Report, reader: Reader) -> list[str]:
    rows = []
    for day in report.days:
        sums = of_day(part.hours, report.span, day)
        length_s = min(day.end_utc_s, report.span.end_utc_s) - day.start_utc_s
        unknown_s = max(0.0, length_s - sums.known_s)
        rows.append((
            day.name,
            "–" if sums.running_m3_per_s is None else f"{reader.flow_value(sums.running_m3_per_s):.0f}",
            "–" if sums.clean_m3_per_s is None else f"{reader.flow_value(sums.clean_m3_per_s):.0f}",
            "–" if sums.share is None else share_words(sums.share),
            lasted(sums.standing_s) if sums.standing_s else "",
            lasted(unknown_s) if unknown_s >= 60.0 else "",
            "–" if sums.mean_c is None else f"{reader.warm_value(sums.mean_c):.1f}",
        ))  # fmt: skip
    unit, degree = reader.flow_unit, "°F" if reader.us else "°C"
    head = (
        "day",
        f"flow, {unit}",
        f"clean, {unit}",
        "of clean",
        "water stood",
        "not known",
        f"water, {degree}",
    )
    return table("Day by day (flow: mean while water moved)", head, rows, 1)


def site_section(report: Report, reader: Reader) -> list[str]:
    """Return the alarms of the site itself."""
    rows = _alarms("Power, board and storage", report.of_site, reader)
    return ["<h2>The site</h2>", *(rows or ["<p>No alarm of the site itself.</p>"])]


def table(
    title: str, head: Sequence[str], rows: Sequence[Sequence[str]], numbers: int | None = None
) -> list[str]:
    """Return a table under a title, nothing without rows; from column `numbers` on there are figures."""
    if not rows:
        return []
    first = len(head) if numbers is None else numbers

    def cells(row: Iterable[str], tag: str) -> str:
        marks = (
            f"<{tag}{' class=' + chr(34) + 'n' + chr(34) if n >= first else ''}>{_cell(c)}</{tag}>"
            for n, c in enumerate(row)
        )
        return f"<tr>{''.join(marks)}</tr>"

    body = "\n".join(cells(row, "td") for row in rows)
    return [
        f"<h3>{safe(title)}</h3>" if title else "",
        f"<table><thead>{cells(head, 'th')}</thead><tbody>\n{body}\n</tbody></table>",
    ]


def flow_chart(part: FilterPart, report: Report, reader: Reader) -> str:
    """Return flow against clean flow; nothing where neither was known."""
    flow = _points(part, report, "flow_m3_per_s", reader.flow_value)
    clean = _points(part, report, "clean_m3_per_s", reader.flow_value)
    known = [v for _, v in [*flow, *clean] if v is not None]
    if not known:
        return ""
    end_s = part.known_until_utc_s
    stops = [
        (i.raised_utc_s, end_s if i.ended_utc_s is None else i.ended_utc_s)
        for i in part.stops
        if not i.lost_end
    ]
    deeds = [(c.utc_s, "cleaned") for c in part.cleanings]
    says = (
        f"Flow in {reader.flow_unit} from {report.days[0].name} to {report.days[-1].name}, between "
        f"{min(known):.0f} and {max(known):.0f}; {len(stops)} stops, {len(deeds)} cleanings."
    )
    curves = (Curve("flow", flow, True), Curve("clean flow", clean))
    return timeline(f"Flow against clean flow, {reader.flow_unit}", says, _time(report), ticks(0.0, max(known)),
                    curves, stops, deeds)  # fmt: skip


def warm_chart(part: FilterPart, report: Report, reader: Reader) -> str:
    """Return the water's temperature, with the limits of its band."""
    warm = _points(part, report, "mean_c", reader.warm_value)
    known = [v for _, v in warm if v is not None]
    band = part.band or Band()
    limits = [reader.warm_value(v) for v in (band.min_c, band.max_c) if v is not None]
    ends = (report.span.start_utc_s, report.span.end_utc_s)
    curves = [
        Curve("water", warm, True),
        *(Curve("limits", [(at, v) for at in ends]) for v in limits),
    ]
    degree = "°F" if reader.us else "°C"
    says = f"Water temperature in {degree}, between {min(known):.1f} and {max(known):.1f}."
    values = ticks(min([*known, *limits]) - 0.5, max([*known, *limits]) + 0.5)
    return timeline(f"Water temperature, {degree}", says, _time(report), values, curves, height=170)


def _points(
    part: FilterPart, report: Report, what: str, shown: object
) -> list[tuple[float, float | None]]:
    """A value an hour, or a day where the span is long."""
    assert callable(shown)
    found: list[tuple[float, float | None]] = []
    span = report.span
    if len(report.days) <= _HOURLY_UP_TO_DAYS:
        places = [(span.start_utc_s + 3600.0 * (n + 0.5), h) for n, h in enumerate(part.hours)]
    else:
        places = [
            ((d.start_utc_s + d.end_utc_s) / 2, of_day(part.hours, span, d)) for d in report.days
        ]
    for at, sums in places:
        value = getattr(sums, what)
        found.append((at, None if value is None else shown(value)))
    return found


def _time(report: Report) -> Axis:
    every = max(1, -(-len(report.days) // _MOST_TICKS))
    marks = [(day.start_utc_s, day.name) for day in report.days[::every]]
    return Axis(report.span.start_utc_s, report.span.end_utc_s, marks)


def _cell(words: str) -> str:
    """A figure, a date or a length of time is not broken over two lines."""
    shown = safe(words)
    return shown.replace(" ", "\u00a0") if len(words) <= _UNBROKEN else shown


def safe(words: str) -> str:
    """Return words as they may stand in a document."""
    return escape("".join(c if c.isprintable() else "?" for c in words))
