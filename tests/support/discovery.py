"""The rules of Home Assistant's MQTT discovery, written from its published documentation.

home-assistant.io: "MQTT" (sections "Discovery topic", "Device discovery payload"), "MQTT sensor",
"MQTT binary sensor", "Sensor" (section "Device class"). Templates are Jinja2, in a sandbox.
"""

from __future__ import annotations

import json
import re
from typing import Any

from jinja2 import StrictUndefined
from jinja2.sandbox import ImmutableSandboxedEnvironment

# "Discovery topic", without the optional node id
TOPIC = re.compile(r"(?P<prefix>.+)/device/(?P<object>[a-zA-Z0-9_-]+)/config")
# "Device discovery payload": shared options; the last five are the availability options.
ROOT = {"device", "origin", "components", "state_topic", "command_topic", "qos", "encoding",
        "availability", "availability_mode", "availability_topic", "availability_template",
        "payload_available", "payload_not_available"}  # fmt: skip
DEVICE = {"configuration_url", "connections", "hw_version", "identifiers", "manufacturer", "model",
          "model_id", "name", "serial_number", "suggested_area", "sw_version", "via_device"}  # fmt: skip
COMMON = {"platform", "name", "unique_id", "device_class", "state_topic", "value_template", "qos",
          "json_attributes_topic", "json_attributes_template", "entity_category", "icon",
          "enabled_by_default", "expire_after", "force_update", "encoding"}  # fmt: skip
OPTIONS = {
    "sensor": COMMON | {"unit_of_measurement", "state_class", "suggested_display_precision"},
    "binary_sensor": COMMON | {"payload_on", "payload_off", "off_delay"},
}
# "Sensor", section "Device class": the units that each class supports.
UNITS = {
    "volume_flow_rate": {"m³/h", "m³/min", "m³/s", "ft³/min", "L/h", "L/min", "L/s", "gal/d",
                         "gal/h", "gal/min", "mL/s"},
    "temperature": {"°C", "°F", "K"},
    "duration": {"d", "h", "min", "s", "ms", "μs"},
}  # fmt: skip
STATE_CLASSES = {"measurement", "measurement_angle", "total", "total_increasing"}


def problems(topic: str, payload: str | bytes) -> list[str]:
    """Return what is wrong with a device discovery message."""
    found = [] if TOPIC.fullmatch(topic) else [f"topic {topic}"]
    whole = json.loads(payload)
    found += [f"unknown option {name}" for name in whole.keys() - ROOT]
    device, origin = whole.get("device", {}), whole.get("origin", {})
    # "These mappings are mandatory", an origin has a name, a device an identifier.
    if not (device.get("identifiers") or device.get("connections")):
        found.append("the device has no identifiers")
    found += [f"unknown option {name} of the device" for name in device.keys() - DEVICE]
    if not origin.get("name") or origin.keys() - {"name", "sw_version", "support_url"}:
        found.append(f"origin {origin}")
    parts = whole.get("components", {})
    if not parts:
        found.append("no components")
    ids = [part.get("unique_id") for part in parts.values()]
    if None in ids or len(set(ids)) != len(ids):
        found.append("unique_id is missing or not unique")
    for name, part in parts.items():
        found += [f"{name}: {said}" for said in _part(part, whole)]
    return found


def _part(part: dict[str, Any], whole: dict[str, Any]) -> list[str]:
    platform = part.get("platform")
    if platform not in OPTIONS:
        return [f"platform {platform}"]
    found = [f"unknown option {name}" for name in part.keys() - OPTIONS[platform]]
    if not (part.get("state_topic") or whole.get("state_topic")):
        found.append("no state_topic")
    if "entity_category" in part and part["entity_category"] != "diagnostic":
        found.append("the category of what cannot be set is diagnostic")
    kind = part.get("device_class")
    if platform == "sensor":
        if kind is not None and part.get("unit_of_measurement") not in UNITS.get(kind, set()):
            found.append(f"unit {part.get('unit_of_measurement')} of class {kind}")
        if part.get("state_class") not in STATE_CLASSES:
            found.append(f"state_class {part.get('state_class')}")
    elif kind not in (None, "problem"):
        found.append(f"device_class {kind}")
    return found


def topics(payload: str | bytes) -> set[str]:
    """Return every topic that a message refers to."""
    found: set[str] = set()

    def collect(value: Any) -> None:
        if isinstance(value, dict):
            found.update(v for k, v in value.items() if k.endswith("topic"))
            for inner in value.values():
                collect(inner)

    collect(json.loads(payload))
    return found


def rendered(template: str, payload: str | bytes) -> str:
    """Return what a value template makes of a message; a name that is not there is an error."""
    sandbox = ImmutableSandboxedEnvironment(undefined=StrictUndefined)
    return sandbox.from_string(template).render(value_json=json.loads(payload)).strip()
