"""What the dashboards show: the one description that their JSON and their pictures are made from.

InfluxQL, which InfluxDB 1, 2 (with a mapping of database and retention policy) and 3 all answer. The
measurements and fields are those of `monitor.delivery.line_protocol`. A mean of nothing is nothing
(`fill(null)`), so that a gap stays a gap; the lowest value of each step stands beside the mean, so that
a stop of seconds is seen on a picture of a month.

`$prefix`, `$site`, `$filter`, `$timeFilter` and `$__interval` are Grafana's to fill in.
"""

from __future__ import annotations

import msgspec

DATA_SOURCE = "canister-history"
"""The fixed uid by which every panel finds its data."""

LITRES, DEGREES, PERCENT, COUNT = "litreh", "celsius", "percent", "short"
SAMPLE, EVENT = '"${prefix}_sample"', '"${prefix}_event"'
_ALL_SITES, _ONE_SITE = '"site" =~ /^$site$/', "\"site\" = '$site'"
_ONE_FILTER = f"{_ONE_SITE} AND \"filter\" = '$filter'"
_STEPS = "GROUP BY time($__interval)"


class Query(msgspec.Struct, frozen=True):
    """One InfluxQL query; `name` is what its lines are called, `$tag_x` in it the value of a tag."""

    text: str
    name: str = ""


class Panel(msgspec.Struct, frozen=True):
    """One panel.

    Attributes:
        title: what it shows.
        kind: lines, bars, number or table.
        queries: at least one.
        unit: of every value.
        columns, rows: its size; a dashboard is 24 columns wide.
        says: what it is for, in a sentence.
        steps: value and colour name, for figures where a limit has a meaning.
        from_zero: whether the axis begins at zero.
        most: where the axis ends, `None` for the data's own.
    """

    title: str
    kind: str
    queries: tuple[Query, ...]
    unit: str = COUNT
    columns: int = 24
    rows: int = 8
    says: str = ""
    steps: tuple[tuple[float | None, str], ...] = ()
    from_zero: bool = False


class Note(msgspec.Struct, frozen=True):
    """Events that are marked in every panel: the query gives the column `words`, the colour is named."""

    title: str
    text: str
    colour: str


class Dashboard(msgspec.Struct, frozen=True):
    """One dashboard; `variables` are name, label, query, and whether several may be chosen."""

    uid: str
    title: str
    says: str
    panels: tuple[Panel, ...]
    notes: tuple[Note, ...]
    variables: tuple[tuple[str, str, str, bool], ...]
    since: str


def _mean(field: str, where: str, by: str = "") -> str:
    return f'SELECT mean("{field}") FROM {SAMPLE} WHERE {where} AND $timeFilter {_STEPS}{by} fill(null)'


def _share(where: str, by: str = "") -> str:
    return (
        f'SELECT mean("flow_l_per_h") / mean("clean_l_per_h") * 100 FROM {SAMPLE} '
        f"WHERE {where} AND $timeFilter {_STEPS}{by} fill(null)"
    )


def _share_now(where: str, by: str = "") -> str:
    group = f" GROUP BY {by}" if by else ""
    return (
        f'SELECT last("flow_l_per_h") / last("clean_l_per_h") * 100 AS "share of clean" FROM {SAMPLE} '
        f"WHERE {where} AND $timeFilter{group}"
    )


def _happened(events: str, columns: str, where: str) -> str:
    return (
        f'SELECT {columns} FROM {EVENT} WHERE {where} AND "event" =~ /^({events})$/ AND $timeFilter '
        "ORDER BY time DESC LIMIT 200"
    )


def _open(where: str) -> str:
    """Alarms whose last event leaves them active; one may have been raised long before the picture."""
    return (
        'SELECT "site", "filter", "alarm", "state", "evidence", "active" FROM '
        f'(SELECT last("active") AS "active", "state", "evidence" FROM {EVENT} WHERE {where} AND "alarm" != \'\' AND time > now() - 400d '
        'GROUP BY "site", "filter", "alarm") WHERE "active" = true'
    )


def _count(event: str, where: str, every: str, by: str) -> str:
    return (
        f'SELECT count("occurrence") FROM {EVENT} WHERE {where} AND "event" = \'{event}\' AND '
        f"$timeFilter GROUP BY time({every}), {by} fill(none)"
    )


# Common limits of the settings; a site may have others, so they are colours and no more.
_SHARES = ((None, "red"), (50.0, "orange"), (75.0, "green"), (125.0, "red"))


def _heard(where: str, by: str, columns: int, rows: int) -> Panel:
    """The one selector gives its own time; whether flow can be trusted is in every sample."""
    asked = (
        'SELECT last("flow_trusted") AS "flow trusted", "flow_l_per_h" AS "flow, L/h", "clean_l_per_h" '
        'AS "clean flow, L/h", "temperature_c" AS "water, °C", "simulated" AS "no real water" '
        f"FROM {SAMPLE} WHERE {where} AND time > now() - 400d GROUP BY {by}"
    )
    says = "When each was heard last, whatever span is chosen. No real water: the simulated filter."
    return Panel("Last heard", "table", (Query(asked),), COUNT, columns, rows, says)


def _notes(where: str) -> tuple[Note, ...]:
    def text(events: str, words: str) -> str:
        return (
            f'SELECT "evidence" AS "words", "alarm", "filter" FROM {EVENT} WHERE {where} AND '
            f'"event" =~ /^({events})$/{words} AND $timeFilter ORDER BY time DESC LIMIT 300'
        )

    return (
        Note("Alarms raised", text("raised", ""), "red"),
        Note("Cleanings", text("cleaned", ""), "green"),
        Note("Pauses", text("paused", ""), "blue"),
    )


_SITES = f'SHOW TAG VALUES FROM {SAMPLE} WITH KEY = "site"'
_FILTERS = f'SHOW TAG VALUES FROM {SAMPLE} WITH KEY = "filter" WHERE "site" = \'$site\''

ONE_FILTER = Dashboard(
    "canister-filter", "Canister filter: one filter",
    "How one filter runs: flow against clean flow, stops, temperature, cleanings.",
    (
        Panel("Flow now", "number",
              (Query(f'SELECT last("flow_l_per_h") FROM {SAMPLE} WHERE {_ONE_FILTER} AND $timeFilter'),), LITRES, 5, 4),
        Panel("Share of clean flow now", "number", (Query(_share_now(_ONE_FILTER)),), PERCENT, 5, 4, steps=_SHARES,
              says="The last that could be trusted. Cleaning is commonly due when a quarter of the clean flow is gone."),
        Panel("Water now", "number",
              (Query(f'SELECT last("temperature_c") FROM {SAMPLE} WHERE {_ONE_FILTER} AND $timeFilter'),), DEGREES, 5, 4),
        _heard(_ONE_FILTER, '"filter"', 9, 4),
        Panel("Flow against clean flow", "lines",
              (Query(_mean("flow_l_per_h", _ONE_FILTER), "flow"),
               Query(_mean("clean_l_per_h", _ONE_FILTER), "clean flow"),
               Query(_mean("flow_l_per_h", _ONE_FILTER).replace("mean(", "min("), "lowest in each step")),
              LITRES, 24, 10, "A stop goes down to zero; a gap is time without a reading that can be trusted.",
              from_zero=True),
        Panel("Share of clean flow", "lines", (Query(_share(_ONE_FILTER), "share"),), PERCENT, 12, steps=_SHARES,
              from_zero=True, says="Fouling over weeks; the slope is what the due date comes from."),
        Panel("Water temperature at the outlet", "lines", (Query(_mean("temperature_c", _ONE_FILTER), "water"),), DEGREES, 12),
        Panel("Open alarms", "table", (Query(_open(_ONE_FILTER)),), columns=12, rows=6),
        Panel("Cleanings and pauses", "table",
              (Query(_happened("cleaned|cleaned-undone|paused|pause-ended|acknowledged", '"event", "alarm", "by", "evidence", "flow_l_per_h"',
                               _ONE_FILTER)),), columns=12, rows=6, says="What people did, and who."),
        Panel("Clean flow as learned", "lines",
              (Query(f"SELECT \"clean_l_per_h\" FROM {EVENT} WHERE {_ONE_FILTER} AND \"event\" = 'clean-flow-learned' AND $timeFilter",
                     "clean flow"),), LITRES, 12, 6, from_zero=True,
              says="One point after each cleaning; a fall that cleaning does not bring back is wear, or growth in the hoses."),
        Panel("Readings without a trusted flow, an hour", "bars",
              (Query(f'SELECT count("flow_trusted") FROM {SAMPLE} WHERE {_ONE_FILTER} AND "flow_trusted" = false AND $timeFilter '
                     "GROUP BY time(1h) fill(none)", "not trusted"),), COUNT, 12, 6,
              says="Sensor, plug or cable: while there are many, nobody knows whether water moves."),
        Panel("What happened", "table",
              (Query(_happened("raised|cleared|escalated|cleaned|clean-flow-learned|paused|pause-ended|acknowledged|shelved",
                               '"event", "alarm", "cause", "evidence", "by"', _ONE_FILTER)),), rows=9),
    ),
    _notes(_ONE_FILTER),
    (("site", "Site", _SITES, False), ("filter", "Filter", _FILTERS, False)), "now-30d",
)  # fmt: skip

FISH_ROOM = Dashboard(
    "canister-room", "Canister filters: one fish room", "All filters of one site side by side.",
    (
        Panel("Share of clean flow now", "number", (Query(_share_now(_ONE_SITE, '"filter"'), "$tag_filter"),), PERCENT, 12, 6,
              steps=_SHARES, says="The last that could be trusted within the span."),
        _heard(_ONE_SITE, '"filter"', 12, 6),
        Panel("Open alarms", "table", (Query(_open(_ONE_SITE)),), rows=7,
              says="Of filters and of the site itself, such as power, disk or a leak."),
        Panel("Share of clean flow", "lines", (Query(_share(_ONE_SITE, ', "filter"'), "$tag_filter"),), PERCENT, 24, 9,
              steps=_SHARES, from_zero=True),
        Panel("Lowest flow in each step", "lines",
              (Query(_mean("flow_l_per_h", _ONE_SITE, ', "filter"').replace("mean(", "min("), "$tag_filter"),), LITRES, 12,
              says="Zero is a stop. Several at once are the room's power.", from_zero=True),
        Panel("Water temperature", "lines", (Query(_mean("temperature_c", _ONE_SITE, ', "filter"'), "$tag_filter"),), DEGREES, 12),
        Panel("Alarms raised, a day", "bars", (Query(_count("raised", _ONE_SITE, "1d", '"alarm"'), "$tag_alarm"),), COUNT, 12, 7),
        Panel("Cleanings, a week", "bars", (Query(_count("cleaned", _ONE_SITE, "7d", '"filter"'), "$tag_filter"),), COUNT, 12, 7),
        Panel("What people did", "table",
              (Query(_happened("cleaned|cleaned-undone|paused|pause-ended|acknowledged|shelved|unshelved",
                               '"filter", "event", "alarm", "by", "evidence", "flow_l_per_h"', _ONE_SITE)),), rows=8),
    ),
    _notes(_ONE_SITE), (("site", "Site", _SITES, False),), "now-30d",
)  # fmt: skip

_WORST = (
    'SELECT min("share") FROM (SELECT mean("flow_l_per_h") / mean("clean_l_per_h") * 100 AS "share" '
    f'FROM {SAMPLE} WHERE {_ALL_SITES} AND $timeFilter {_STEPS}, "site", "filter" fill(none)) '
    f'WHERE $timeFilter {_STEPS}, "site" fill(null)'
)
FLEET = Dashboard(
    "canister-fleet", "Canister filters: the fleet", "Every site that sends its history here: where to go first.",
    (
        Panel("Open alarms", "table", (Query(_open(_ALL_SITES)),), rows=8, says="Where to go first."),
        Panel("Worst filter of each site", "lines", (Query(_WORST, "$tag_site"),), PERCENT, 24, 9, steps=_SHARES, from_zero=True,
              says="Share of clean flow of the filter that is worst; a line that ends is a site that is not heard."),
        _heard(_ALL_SITES, '"site", "filter"', 12, 9),
        Panel("Readings an hour", "lines",
              (Query(f'SELECT count("flow_trusted") FROM {SAMPLE} WHERE {_ALL_SITES} AND $timeFilter GROUP BY time(1h), "site" fill(0)',
                     "$tag_site"),), COUNT, 12, 9,
              says="Down to zero: the site sends nothing; what it saw meanwhile comes afterwards. The hour that runs is not full.", from_zero=True),
        Panel("Alarms raised, a day", "bars", (Query(_count("raised", _ALL_SITES, "1d", '"site"'), "$tag_site"),), COUNT, 12, 7),
        Panel("What they were", "bars", (Query(_count("raised", _ALL_SITES, "7d", '"alarm"'), "$tag_alarm"),), COUNT, 12, 7,
              says="Alarms by kind, a week."),
        Panel("Cleanings, a week", "bars", (Query(_count("cleaned", _ALL_SITES, "7d", '"site"'), "$tag_site"),), COUNT, 12, 7),
        Panel("Warmest and coldest water", "lines",
              (Query(f'SELECT max("temperature_c") FROM {SAMPLE} WHERE {_ALL_SITES} AND $timeFilter {_STEPS}, "site" fill(null)', "$tag_site warmest"),
               Query(f'SELECT min("temperature_c") FROM {SAMPLE} WHERE {_ALL_SITES} AND $timeFilter {_STEPS}, "site" fill(null)', "$tag_site coldest")),
              DEGREES, 12, 7),
    ),
    (Note("Stops", f'SELECT "evidence" AS "words", "site", "filter" FROM {EVENT} WHERE {_ALL_SITES} AND "event" = \'raised\' AND '
          '"alarm" = \'flow-stopped\' AND $timeFilter ORDER BY time DESC LIMIT 300', "red"),),
    (("site", "Site", _SITES, True),), "now-30d",
)  # fmt: skip

DASHBOARDS = {"filter": ONE_FILTER, "room": FISH_ROOM, "fleet": FLEET}
"""By the name of their file."""
