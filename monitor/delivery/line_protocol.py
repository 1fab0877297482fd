"""Samples and events as line protocol, one line each.

Syntax: InfluxData, "Line protocol" (InfluxDB OSS v2 documentation). Our own, because the types must
not depend on the value: a field is a float, an integer, a boolean or a text for ever, else a server
refuses the second kind. What is not known has no field; it is never 0.

The same row gives the same line, whenever it is written, so that writing twice changes nothing: a
point is its measurement, tags and time. The time is the row's own, microseconds of its wall clock; the
three digits below them are the row's number, which keeps apart what happened at the same instant.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache

import msgspec

from monitor.records import Cause, Entry, MinuteRow, Quality, SampleRow
from monitor.units import l_per_h

FieldValue = float | int | bool | str | None


class Dialect(msgspec.Struct, frozen=True):
    """What one server is sent.

    Attributes:
        site: the tag that every line has.
        prefix: what the names of measurements begin with.
        texts: whether the server keeps texts; one that keeps numbers only would make 0 of them.
        simulated: no real water is behind this.
    """

    site: str
    prefix: str
    texts: bool = True
    simulated: bool = False


def sample_line(row: SampleRow, dialect: Dialect) -> str:
    """Return a sample as one line."""
    fields: dict[str, FieldValue] = {
        "flow_l_per_h": _litres(row.flow_m3_per_s),
        "clean_l_per_h": _litres(row.clean_m3_per_s),
        "temperature_c": _float(row.temperature_c),
        "flow_trusted": row.flow_quality in (Quality.GOOD, Quality.COLLECTING),
        "temperature_trusted": row.temperature_quality is Quality.GOOD,
        "quality": row.flow_quality.value,
        "temperature_quality": row.temperature_quality.value,
        "synchronised": row.moment.synchronised,
        "simulated": dialect.simulated,
    }
    tags = {"site": dialect.site, "filter": row.filter_id}
    return line(
        f"{dialect.prefix}_sample", tags, fields, _stamp(row.moment.utc_s, row.seq), dialect
    )


def minute_line(row: MinuteRow, dialect: Dialect) -> str:
    """Return what is left of a minute as one line, in a measurement of its own."""
    fields: dict[str, FieldValue] = {
        "flow_l_per_h": _litres(row.flow_m3_per_s),
        "lowest_l_per_h": _litres(row.lowest_m3_per_s),
        "highest_l_per_h": _litres(row.highest_m3_per_s),
        "clean_l_per_h": _litres(row.clean_m3_per_s),
        "temperature_c": _float(row.temperature_c),
        "samples": int(row.samples),
        "synchronised": row.synchronised,
        "simulated": dialect.simulated,
    }
    tags = {"site": dialect.site, "filter": row.filter_id}
    return line(f"{dialect.prefix}_minute", tags, fields, _stamp(row.utc_s, row.seq), dialect)


def event_line(entry: Entry, dialect: Dialect) -> str:
    """Return an event as one line; an empty filter is the site itself."""
    event = entry.event
    tags = {
        "site": dialect.site,
        "filter": event.filter_id,
        "event": event.event.value,
        "alarm": event.alarm.value if event.alarm is not None else "",
        "cause": event.cause.value if event.cause is not Cause.NONE else "",
    }
    fields: dict[str, FieldValue] = {
        "active": event.active,
        "occurrence": int(event.occurrence),
        "announce": event.announce,
        "flow_l_per_h": _litres(event.flow_m3_per_s),
        "clean_l_per_h": _litres(event.clean_m3_per_s),
        "temperature_c": _float(event.temperature_c),
        "sure": _float(event.sure),
        "state": event.state.value,
        "evidence": event.evidence,
        "advice": event.advice,
        "by": event.by,
        "sequence": int(entry.seq),
        "synchronised": entry.synchronised,
        "simulated": dialect.simulated,
    }
    return line(f"{dialect.prefix}_event", tags, fields, _stamp(event.utc_s, entry.seq), dialect)


def line(
    measurement: str,
    tags: Mapping[str, str],
    fields: Mapping[str, FieldValue],
    stamp_ns: int,
    dialect: Dialect,
) -> str:
    """Return one line; tags that are empty and fields that are not known are left out.

    Raises:
        ValueError: no field is left, and a line needs one.
    """
    written = [
        f"{_key(name)}={_value(value)}"
        for name, value in fields.items()
        if value is not None and (dialect.texts or not isinstance(value, str))
    ]
    if not written:
        raise ValueError(f"{measurement}: a line needs a field")
    marks = [f",{_key(name)}={_key(text)}" for name, text in sorted(tags.items()) if _key(text)]
    return f"{_escaped(measurement, ', ')}{''.join(marks)} {','.join(written)} {stamp_ns}"


def _stamp(utc_s: float, seq: int) -> int:
    return round(utc_s * 1e6) * 1000 + seq % 1000


def _float(value: float | None) -> float | None:
    """An integer would be another type; what is not finite cannot be written."""
    return None if value is None or not math.isfinite(value) else float(value)


def _litres(value: float | None) -> float | None:
    return None if value is None else _float(round(l_per_h(value), 3))


def _value(value: float | int | bool | str) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return f"{value}i"
    if isinstance(value, float):
        return repr(value)
    text = _one_line(value).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"'


@lru_cache(maxsize=4096)
def _key(text: str) -> str:
    """A tag's key or value, or a field's key; a backslash at the end would escape what follows."""
    return _escaped(text, ",= ").rstrip("\\")


def _escaped(text: str, special: str) -> str:
    return "".join(f"\\{c}" if c in special else c for c in _one_line(text))


def _one_line(text: str) -> str:
    return " ".join(text.splitlines())
