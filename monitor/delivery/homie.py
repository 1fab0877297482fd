"""A site as one device of the Homie convention 5.0, every filter a node of it. Pure.

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
_QUALITIES = {"flow-quality": "Flow reading", "temperature-quality": "Temperature reading"}


class Device(msgspec.Struct, frozen=True):
    """What a site shows; `filters` are names for people by id, `alarms` the kinds there are."""

    root: str
    site: str
    name: str
    filters: Mapping[str, str]
    alarms: tuple[str, ...]

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
            topics += [self._alert(filter_id, kind) for kind in self.alarms]
        return topics

    def description(self, version: int) -> bytes:
        """Return the description; `version` must grow whenever the rest of it changes."""
        nodes = {
            _id(filter_id): {"name": name, "properties": self._properties()}
            for filter_id, name in self.filters.items()
        }
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
        for kind in self.alarms:
            active = kind in alarms and bool(alarms[kind]["active"])
            shown[f"{node}/alarm-{kind}"] = _boolean(active)
            said = self._message(filter_id, kind, alarms[kind]) if active else ""
            shown[self._alert(filter_id, kind)] = said.encode()
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
        for kind in self.alarms:
            found[f"alarm-{kind}"] = {"name": alarm_words(kind), "datatype": "boolean"}
        return found

    def _alert(self, filter_id: str, kind: str) -> str:
        # Our ids have no two underscores in a row, so two hyphens part filter and kind for certain.
        return f"{self.base}/$alert/{_id(filter_id)}--{kind}"

    def _message(self, filter_id: str, kind: str, alarm: Mapping[str, Any]) -> str:
        told = [str(alarm[key]) for key in ("evidence", "advice") if alarm[key]]
        return "; ".join([f"{self.filters[filter_id]}: {alarm_words(kind)}", *told])


def _id(name: str) -> str:
    """Return one of our ids as the convention wants it; no two become the same."""
    return name.replace("_", "-")


def _boolean(value: object) -> bytes:
    return b"true" if value else b"false"


def _float(value: float | None) -> bytes:
    """Return a number without the plus sign that an exponent may have, nothing for none."""
    return b"" if value is None else f"{value + 0.0:.3f}".rstrip("0").rstrip(".").encode()
