"""A site as people see it, from its registers. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from monitor.fleet.messages import utc_s

Registers = Mapping[str, tuple[str, str]]
_decode = msgspec.json.decode


class Cleaning(msgspec.Struct, frozen=True):
    """A filter was cleaned: when, by whom, and its clean flow in L/h before it was learned anew."""

    utc_s: float
    by: str
    clean_flow_l_per_h: float | None


class FilterView(msgspec.Struct, frozen=True):
    """One filter: its newest state, its alarms that are not normal, its cleanings, oldest first, and
    when it passed its limit.

    `state` has the fields of the state payload; empty where none has come yet.
    """

    name: str
    state: Mapping[str, Any]
    alarms: Mapping[str, Mapping[str, Any]]
    cleanings: tuple[Cleaning, ...]
    limit_utc_s: tuple[float, ...] = ()

    @property
    def state_utc_s(self) -> float | None:
        """When the site wrote the state, by its own clock."""
        return utc_s(self.state["time"]) if self.state else None


class SiteView(msgspec.Struct, frozen=True):
    """One site, as its present journal has it.

    `beat` and `presence` have the fields of their payloads and are empty where none has come;
    `journals` are all journals that were ever seen, `overlap_s` for how long two runs of the present
    one lived at the same time, 0 for never.
    """

    site: str
    journal: str
    presence: Mapping[str, Any]
    beat: Mapping[str, Any]
    filters: tuple[FilterView, ...]
    alarms: Mapping[str, Mapping[str, Any]]
    journals: tuple[str, ...]
    overlap_s: float


def site_view(site: str, registers: Registers) -> SiteView:
    """Return a site from its registers, however little has come of it."""
    journals = sorted({f.split("/", 1)[0] for f in registers if "/" in f})
    journal = _value(registers, "journal", "")
    if not journal and journals:
        journal = journals[-1]
    below: dict[str, Any] = {}
    for field, (_, text) in registers.items():
        of, _, rest = field.partition("/")
        if of == journal and rest and not rest.startswith(("run/", "began/")):
            below[rest] = text if rest.startswith("due/") else _decode(text)
    names = sorted(
        {
            part[1]
            for part in (rest.split("/") for rest in below)
            if part[0] in ("state", "alarm", "cleaned", "due") and part[1]
        }
    )
    return SiteView(
        site,
        journal,
        below.get("presence", {}),
        below.get("beat", {}),
        tuple(_filter(name, below) for name in names),
        _alarms("", below),
        tuple(journals),
        _overlap_s(journal, registers, below.get("presence", {})),
    )


def _value(registers: Registers, field: str, default: str) -> str:
    return registers[field][1] if field in registers else default


def _filter(name: str, below: Mapping[str, Any]) -> FilterView:
    start = f"due/{name}/"
    limits = sorted(utc_s(text) for rest, text in below.items() if rest.startswith(start))
    return FilterView(
        name,
        below.get(f"state/{name}", {}),
        _alarms(name, below),
        _cleanings(name, below),
        tuple(limits),
    )


def _alarms(name: str, below: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    start = f"alarm/{name}/"
    return {
        rest[len(start) :]: value
        for rest, value in below.items()
        if rest.startswith(start) and value["state"] != "normal"
    }


def _cleanings(name: str, below: Mapping[str, Any]) -> tuple[Cleaning, ...]:
    """The cleanings that were not taken back: an undoing takes back the last before it."""
    start = f"cleaned/{name}/"
    found: list[Cleaning] = []
    for _, value in sorted((r, v) for r, v in below.items() if r.startswith(start)):
        if value["event"] == "cleaned":
            found.append(Cleaning(utc_s(value["time"]), value["by"], value["clean_flow_l_per_h"]))
        elif found:
            found.pop()
    return tuple(found)


def _overlap_s(journal: str, registers: Registers, presence: Mapping[str, Any]) -> float:
    """How long another run of the journal was still alive after the present one had begun.

    A run begins after the last word of the one before it, but for what that one had not yet saved when
    it lost its power. Two cards with the same content go on side by side. A run whose presence has not come
    may be a younger one, whose sign of life overtook it, and says nothing.
    """
    if not presence:
        return 0.0
    start = f"{journal}/run/"
    others = [
        float(text)
        for field, (_, text) in registers.items()
        if field.startswith(start)
        and field != start + presence["run"]
        and f"{journal}/began/{field[len(start) :]}" in registers
    ]
    return max(0.0, max(others, default=0.0) - float(presence["began_line_s"]))
