"""Reads back what `monitor.app.fleet.lines` wrote: rows and events as a report takes them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import msgspec

from monitor.delivery.influxql import Series, name, text
from monitor.records import AlarmKind, Cause, CleanBasis, Event, EventKind, MinuteRow
from monitor.units import m3_per_s

_DAY_S = 86400.0
_MINUTE_S = 60
# One question at a time is asked of so many days, so that no answer is large.
_DAYS_OF_SAMPLES, _DAYS_OF_EVENTS = 4, 60
_NS = 1_000_000_000


class Asks(Protocol):
    """A server that answers InfluxQL."""

    def ask(self, question: str) -> list[Series]:
        """Return the series that a question is answered with."""


class Latest(msgspec.Struct, frozen=True):
    """The last that is known of a filter: when, days until cleaning is due as of then, whence its clean flow."""

    utc_s: float
    low_days: float | None
    median_days: float | None
    high_days: float | None
    trend: bool
    clean_basis: str


class Happening(msgspec.Struct, frozen=True):
    """An event, the journal that it was read from and its number there."""

    journal: str
    sequence: int
    event: Event


class Past:
    """The history of a fleet.

    Args:
        server: keeps it.
        prefix: what the names of measurements begin with.

    Every method raises `MachineError` where the server is away or refuses.
    """

    def __init__(self, server: Asks, prefix: str) -> None:
        self._server = server
        self._samples, self._events = name(f"{prefix}_sample"), name(f"{prefix}_event")

    def latest(self, site: str, start_s: float, end_s: float) -> dict[str, Latest]:
        """Return the last that is known of each filter that was heard of in a span, by its id."""
        fields = ("simulated", "due_low_days", "due_median_days", "due_high_days", "due_trend",
                  "clean_basis")  # fmt: skip
        found = self._server.ask(
            f"SELECT {', '.join(map(name, fields))} FROM {self._samples} "
            f'WHERE {_of(site, start_s, end_s)} GROUP BY "filter" ORDER BY time DESC LIMIT 1'
        )
        return {
            series.tags["filter"]: _latest(series.rows[0])
            for series in found
            if series.rows and series.tags.get("filter")
        }

    def simulated(self, site: str, start_s: float, end_s: float) -> bool:
        """Return whether anything of a span came from no real water."""
        found = self._server.ask(
            f'SELECT count("simulated") FROM {self._samples} '
            f'WHERE {_of(site, start_s, end_s)} AND "simulated" = true'
        )
        return any(series.rows for series in found)

    def minutes(
        self, site: str, filter_id: str, start_s: float, end_s: float
    ) -> Iterator[MinuteRow]:
        """Yield what came of a filter in each minute of a span, oldest first; nothing for one without."""
        begin, step = start_s, _DAYS_OF_SAMPLES * _DAY_S
        while begin < end_s:
            end = min(end_s, begin + step)
            where = f'{_of(site, begin, end)} AND "filter" = {text(filter_id)}'
            unsure = self._unsure(where)
            for row in self._rows(
                'count("simulated") AS n, count("flow_l_per_h") AS flows, mean("flow_l_per_h") AS flow, '
                'last("clean_l_per_h") AS clean, count("temperature_c") AS warms, mean("temperature_c") AS warm',
                where,
            ):
                if row["n"]:
                    yield _minute(row, filter_id, row["time"] in unsure)
            begin = end

    def _unsure(self, where: str) -> set[int]:
        """The minutes in which the board's clock was not right."""
        rows = self._rows('count("simulated") AS n', f'{where} AND "synchronised" = false')
        return {row["time"] for row in rows if row["n"]}

    def _rows(self, fields: str, where: str) -> list[dict[str, Any]]:
        found = self._server.ask(
            f"SELECT {fields} FROM {self._samples} WHERE {where} GROUP BY time({_MINUTE_S}s) fill(none)"
        )
        return found[0].rows if found else []

    def events(self, site: str, start_s: float, end_s: float) -> list[list[Event]]:
        """Return the events of a span, of each journal in the order in which they happened."""
        found: list[Happening] = []
        begin, step = start_s, _DAYS_OF_EVENTS * _DAY_S
        while begin < end_s:
            end = min(end_s, begin + step)
            fields = ("occurrence", "line_s", "journal", "sequence", "flow_l_per_h", "clean_l_per_h", "temperature_c",
                      "evidence", "by", "filter", "event", "alarm", "cause")  # fmt: skip
            answer = self._server.ask(
                f"SELECT {', '.join(map(name, fields))} FROM {self._events} "
                f"WHERE {_of(site, begin, end)} AND \"event\" != 'daily'"
            )
            found += [one for series in answer for row in series.rows if (one := _happening(row))]
            begin = end
        return _by_journal(found)


def _of(site: str, start_s: float, end_s: float) -> str:
    begin, end = (round(s * 1000) * 1_000_000 for s in (start_s, end_s))
    return f'"site" = {text(site)} AND time >= {begin} AND time < {end}'


def _latest(row: dict[str, Any]) -> Latest:
    return Latest(
        row["time"] / _NS, row.get("due_low_days"), row.get("due_median_days"), row.get("due_high_days"),
        row.get("due_trend") is not False, row.get("clean_basis") or "",
    )  # fmt: skip


def _minute(row: dict[str, Any], filter_id: str, unsure: bool) -> MinuteRow:
    utc_s = row["time"] // _NS
    flow = _flow(row["flow"])
    return MinuteRow(
        0, filter_id, utc_s // _MINUTE_S, utc_s, not unsure, row["n"], row["flows"] or 0, flow, flow, flow,
        _flow(row["clean"]), row["warms"] or 0, row["warm"],
    )  # fmt: skip


def _flow(l_per_h: float | None) -> float | None:
    return None if l_per_h is None else m3_per_s(l_per_h)


def _happening(row: dict[str, Any]) -> Happening | None:
    """An event of a row; none of a kind that only a newer program knows."""
    try:
        kind, alarm = EventKind(row["event"]), AlarmKind(row["alarm"]) if row["alarm"] else None
    except ValueError:
        return None
    # The three digits below a microsecond are the event's number, not time (see `lines`).
    utc_s = row["time"] // 1_000_000 / 1e3
    line_s = row.get("line_s")
    event = Event(
        row["filter"] or "", kind, utc_s if line_s is None else line_s, utc_s, alarm, row["occurrence"] or 0,
        _flow(row["flow_l_per_h"]), _flow(row["clean_l_per_h"]), CleanBasis.NONE, row["temperature_c"],
        _cause(row["cause"]), row["evidence"] or "", "", by=row["by"] or "",
    )  # fmt: skip
    return Happening(row.get("journal") or "", row["sequence"] or 0, event)


def _cause(word: str | None) -> Cause:
    try:
        return Cause(word or "none")
    except ValueError:
        return Cause.NONE


def _by_journal(found: list[Happening]) -> list[list[Event]]:
    """Within a journal its numbers are the order; journals follow one another as they began."""
    journals: dict[str, list[Happening]] = {}
    for one in found:
        journals.setdefault(one.journal, []).append(one)
    ordered = sorted(journals.values(), key=lambda j: min(h.event.utc_s for h in j))
    return [[h.event for h in sorted(j, key=lambda h: h.sequence)] for j in ordered]
