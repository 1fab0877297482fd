"""Reads line protocol by its published syntax, to hold what we write against.

InfluxData, "Line protocol" (InfluxDB OSS v2 documentation), whose table of special characters says which
are escaped where: measurement: comma, space; tag key, tag value, field key: comma, equals sign, space;
text in a field: double quote, backslash. A backslash before any other character is a backslash.
"""

from __future__ import annotations

import re
from typing import NamedTuple

_MEASUREMENT = r"(?:\\[, ]|[^, \n])+"
_KEY = r"(?:\\[,= ]|[^,= \n])+"
_TEXT = r'"(?:\\["\\]|[^"])*"'
_FLOAT = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_VALUE = rf"{_TEXT}|{_FLOAT}i?|t|T|true|True|TRUE|f|F|false|False|FALSE"
_FIELD = rf"(?P<key>{_KEY})=(?P<value>{_VALUE})(?:,|(?= ))"
_LINE = re.compile(
    rf"(?P<m>{_MEASUREMENT})(?P<tags>(?:,{_KEY}={_KEY})*) (?P<fields>(?:{_KEY}=(?:{_VALUE})(?:,|(?= )))+)"
    r" (?P<stamp>-?\d+)"
)

Value = float | int | bool | str


class Point(NamedTuple):
    """What one line says."""

    measurement: str
    tags: dict[str, str]
    fields: dict[str, Value]
    stamp_ns: int


def parse(line: str) -> Point:
    """Return what a line says.

    Raises:
        ValueError: it is none.
    """
    found = _LINE.fullmatch(line)
    if found is None:
        raise ValueError(f"no line protocol: {line!r}")
    tags = re.findall(rf",({_KEY})=({_KEY})", found["tags"])
    fields = [(m["key"], m["value"]) for m in re.finditer(_FIELD, found["fields"] + " ")]
    return Point(
        re.sub(r"\\([, ])", r"\1", found["m"]),
        {_plain(k): _plain(v) for k, v in tags},
        {_plain(k): _read(v) for k, v in fields},
        int(found["stamp"]),
    )


def _plain(text: str) -> str:
    return re.sub(r"\\([,= ])", r"\1", text)


def _read(text: str) -> Value:
    if text.startswith('"'):
        return re.sub(r'\\(["\\])', r"\1", text[1:-1])
    if text[0] in "tTfF":
        return text[0] in "tT"
    if text.endswith("i"):
        return int(text[:-1])
    return float(text)
