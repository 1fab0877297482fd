"""The MQTT discovery message of Home Assistant, one for each filter and one for the site. Pure.

Its published documentation (home-assistant.io, "MQTT Discovery", "Device discovery payload") has
one retained JSON text for a device with all its entities. They read the topics that we publish in any
case: the message says where a figure stands and how it is taken out of the JSON. A null in the state
is rendered as "None", which the documentation ("MQTT sensor", `state_topic`) takes for unknown.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec

from monitor.delivery.figures import FIGURES, PERCENT, Figure, alarm_words
from monitor.delivery.topics import Topics

_ORIGIN = "canister-monitor"
_CLASSES = {"L/h": "volume_flow_rate", "°C": "temperature", "d": "duration"}
_ONLINE = "{{ 'online' if value_json.presence == 'online' else 'offline' }}"
_ACTIVE = "{{ 'ON' if value_json.active else 'OFF' }}"
_SIMULATED = "{{ 'ON' if value_json.simulated else 'OFF' }}"
_WHY = (
    "{{ {'cause': value_json.cause, 'evidence': value_json.evidence, "
    "'advice': value_json.advice, 'consequence': value_json.consequence} | tojson }}"
)


def config_topic(prefix: str, site: str, filter_id: str) -> str:
    """Return where a filter is announced, or with an empty id the site itself."""
    return f"{prefix}/device/{_object_id(site, filter_id)}/config"


def config(topics: Topics, filter_id: str, name: str, alarms: Iterable[str], version: str) -> bytes:
    """Return the announcement of one filter.

    Args:
        topics: of the site; the entities read them.
        filter_id: which filter.
        name: for people.
        alarms: the kinds of alarm there are.
        version: of this program.
    """
    own = _object_id(topics.site, filter_id)
    parts: dict[str, dict[str, Any]] = {f.id: _sensor(f) for f in FIGURES}
    parts["simulated"] = {
        "platform": "binary_sensor",
        "name": "Simulated, no real water",
        "entity_category": "diagnostic",
        "value_template": _SIMULATED,
    }
    parts |= _alarms(topics, filter_id, alarms)
    state_topic = {"state_topic": topics.state(filter_id)}
    return _announced(topics, own, name, "Canister filter", version, parts, state_topic)


def site_config(topics: Topics, name: str, alarms: Iterable[str], version: str) -> bytes:
    """Return the announcement of the site itself: the alarms that are of no filter."""
    own, parts = _object_id(topics.site, ""), _alarms(topics, "", alarms)
    return _announced(topics, own, name, "Canister site", version, parts, {})


def _announced(
    topics: Topics,
    own: str,
    name: str,
    model: str,
    version: str,
    parts: dict[str, dict[str, Any]],
    more: dict[str, str],
) -> bytes:
    for part, options in parts.items():
        options["unique_id"] = f"{own}-{part}"
    return msgspec.json.encode(
        {
            "device": {
                "identifiers": [own],
                "name": name,
                "model": model,
                "sw_version": version,
            },
            "origin": {"name": _ORIGIN, "sw_version": version},
            "availability_topic": topics.presence,
            "availability_template": _ONLINE,
            **more,
            "qos": 1,
            "components": parts,
        }
    )


def _sensor(figure: Figure) -> dict[str, Any]:
    options: dict[str, Any] = {
        "platform": "sensor",
        "name": figure.name,
        "unit_of_measurement": figure.unit,
        "state_class": "measurement",
        "value_template": _template(figure),
    }
    if figure.unit in _CLASSES:
        options["device_class"] = _CLASSES[figure.unit]
    return options


def _template(figure: Figure) -> str:
    whole = "value_json." + ".".join(figure.path)
    value = f"({whole} * 100) | round(1)" if figure.unit == PERCENT else whole
    # Every step of the path may be null.
    steps = [".".join(("value_json", *figure.path[:n])) for n in range(1, len(figure.path) + 1)]
    known = " and ".join(f"{step} is not none" for step in steps)
    return f"{{{{ {value} if {known} else none }}}}"


def _alarms(topics: Topics, filter_id: str, kinds: Iterable[str]) -> dict[str, dict[str, Any]]:
    return {f"alarm-{kind}": _alarm(kind, topics.alarm(filter_id, kind)) for kind in kinds}


def _alarm(kind: str, topic: str) -> dict[str, Any]:
    return {
        "platform": "binary_sensor",
        "name": alarm_words(kind),
        "device_class": "problem",
        "state_topic": topic,
        "value_template": _ACTIVE,
        "json_attributes_topic": topic,
        "json_attributes_template": _WHY,
    }


def _object_id(site: str, filter_id: str) -> str:
    # Our ids have no hyphens, so these two part site and filter for certain.
    return f"canister-{site}-{filter_id}" if filter_id else f"canister-{site}"
