"""A site as one device of the Homie convention 5.0, every filter a node of it, its own alarms another. Pure.

The convention (homieiot.github.io, version 5.0.0, CC BY 4.0) asks for lower-case ids with hyphens,
one retained topic for each value, and a JSON description that changes only while the device is not
ready. Nothing can be set here. A value that is not known has no message at all: an empty one, which
takes the retained one away, is the only way that the convention leaves ("Empty string values").
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from monitor.delivery.figures import FIGURES, alarm_words, number
from monitor.records import Quality

VERSION = "5.0"
_MAJOR = "5"
# Our ids have no two underscores in a row, so no filter's node is called so.
SITE_NODE = "site--alarms"
_QUALITIES = {"flow-quality": "Flow reading", "temperature-quality": "Temperature reading"}


class Device(msgspec.Struct, frozen=True):
    """What a site shows; `filters` are names for people by id, `alarms` the kinds that each has.

    `site_alarms` are the kinds of the site itself: the power, a leak, the board.
    """

    root: str
    site: str
    name: str
    filters: Mapping[str, str]
    alarms: tuple[str, ...]
    site_alarms: tuple[str, ...] = ()

    @property
    def base(self) -> str:
        """The topic that all others of the device begin with."""
        return f"{self.root}/{_MAJOR}/canister-{_id(self.site)}"

    @property
    def state_topic(self) -> str:
        """Where the device is init, ready, disconnected or lost."""
        return f"{self.base}/$state"

    @property
    def description_topic(self) -> str:
        """Where the device describes itself."""
        return f"{self.base}/$description"

    def topics(self) -> list[str]:
        """Return every topic that may be retained for this device, in the order of its removal."""
        topics = [self.state_topic, self.description_topic]
        for filter_id in self.filters:
            topics += [f"{self.base}/{_id(filter_id)}/{name}" for name in self._properties()]
            topics += [self._alert(_id(filter_id), kind) for kind in self.alarms]
        for kind in self.site_alarms:
            topics += [f"{self.base}/{SITE_NODE}/alarm-{kind}", self._alert(SITE_NODE, kind)]
        return topics

    def description(self, version: int) -> bytes:
        """Return the description; `version` must grow whenever the rest of it changes."""
        nodes = {
            _id(filter_id): {"name": name, "properties": self._properties()}
            for filter_id, name in self.filters.items()
        }
        if self.site_alarms:
            whole = {"name": "Site: power, floor, board", "properties": _alarms(self.site_alarms)}
            nodes[SITE_NODE] = whole
        return msgspec.json.encode(
            {"homie": VERSION, "version": version, "name": self.name, "nodes": nodes}
        )

    def values(
        self, filter_id: str, state: Mapping[str, Any], alarms: Mapping[str, Mapping[str, Any]]
    ) -> dict[str, bytes]:
        """Return what every topic of one filter shows; an empty one shows nothing.

        Args:
            filter_id: one of `filters`.
            state: as `payloads.state` makes it.
            alarms: as `payloads.alarm` makes them, by kind.
        """
        node = f"{self.base}/{_id(filter_id)}"
        shown = {f"{node}/{f.id}": _float(number(f, state)) for f in FIGURES}
        for name in _QUALITIES:
            shown[f"{node}/{name}"] = str(state[name.replace("-", "_")]).encode()
        shown[f"{node}/simulated"] = _boolean(state["simulated"])
        return shown | self._standing(_id(filter_id), self.filters[filter_id], self.alarms, alarms)

    def site_values(self, alarms: Mapping[str, Mapping[str, Any]]) -> dict[str, bytes]:
        """Return what the topics of the site's own alarms show, as `values` does for a filter."""
        return self._standing(SITE_NODE, self.name, self.site_alarms, alarms)

    def _standing(
        self, node: str, name: str, kinds: tuple[str, ...], alarms: Mapping[str, Mapping[str, Any]]
    ) -> dict[str, bytes]:
        shown: dict[str, bytes] = {}
        for kind in kinds:
            active = kind in alarms and bool(alarms[kind]["active"])
            shown[f"{self.base}/{node}/alarm-{kind}"] = _boolean(active)
            said = _message(name, kind, alarms[kind]) if active else ""
            shown[self._alert(node, kind)] = said.encode()
        return shown

    def _properties(self) -> dict[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {}
        for figure in FIGURES:
            found[figure.id] = {"name": figure.name, "datatype": "float", "unit": figure.unit}
            if figure.never_negative:
                found[figure.id]["format"] = "0:"
        for name, words in _QUALITIES.items():
            found[name] = {"name": words, "datatype": "enum", "format": ",".join(Quality)}
        found["simulated"] = {"name": "Simulated, no real water", "datatype": "boolean"}
        return found | _alarms(self.alarms)

    def _alert(self, node: str, kind: str) -> str:
        # A kind has no two hyphens in a row, so these part node and kind for certain.
        return f"{self.base}/$alert/{node}--{kind}"


def _alarms(kinds: tuple[str, ...]) -> dict[str, dict[str, str]]:
    return {f"alarm-{k}": {"name": alarm_words(k), "datatype": "boolean"} for k in kinds}


def _message(name: str, kind: str, alarm: Mapping[str, Any]) -> str:
    told = [str(alarm[key]) for key in ("evidence", "advice") if alarm[key]]
    return "; ".join([f"{name}: {alarm_words(kind)}", *told])


def _id(name: str) -> str:
    """Return one of our ids as the convention wants it; no two become the same."""
    return name.replace("_", "-")


def _boolean(value: object) -> bytes:
    return b"true" if value else b"false"


def _float(value: float | None) -> bytes:
    """Return a number without the plus sign that an exponent may have, nothing for none."""
    return b"" if value is None else f"{value + 0.0:.3f}".rstrip("0").rstrip(".").encode()
