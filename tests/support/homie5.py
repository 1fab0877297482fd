"""The rules of the Homie convention 5.0.0 (11 May 2025, CC BY 4.0), written from its text.

homieiot.github.io/specification; each rule names the section it is from. Nothing of ours is used.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

# "Topic IDs": only a to z, 0 to 9 and the hyphen.
ID = re.compile(r"[a-z0-9-]+")
# "Device Lifecycle"
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
# "Property Attributes"
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}  # fmt: skip
# "Float": digits, "-", "e" or "E" and one "."; no sign alone, nothing empty, no NaN.
FLOAT = re.compile(r"-?(\d+\.?\d*|\.\d+)([eE]-?\d+)?")
DEVICE_FIELDS: dict[str, type] = {"homie": str, "version": int, "nodes": dict, "name": str,
                                  "type": str, "children": list, "root": str, "parent": str,
                                  "extensions": list}  # fmt: skip
NODE_FIELDS: dict[str, type] = {"name": str, "type": str, "properties": dict}
PROPERTY_FIELDS: dict[str, type] = {"name": str, "datatype": str, "format": str, "settable": bool,
                                    "retained": bool, "unit": str}  # fmt: skip


def problems(retained: Mapping[str, bytes], root: str = "homie") -> list[str]:
    """Return what is wrong with the retained topics of one device; empty ones are not there."""
    found: list[str] = []
    there = {topic: text for topic, text in retained.items() if text}
    bases = {"/".join(topic.split("/")[:3]) for topic in there}
    if len(bases) != 1:
        return [f"not one device: {sorted(bases)}"]
    base = bases.pop()
    # "Base Topic": only the first segment may be another, "5" stays.
    if base.split("/")[:2] != [root, "5"] or not ID.fullmatch(base.split("/")[2]):
        found.append(f"base topic {base}")
    # "Device Attributes": both are required.
    for name in ("$state", "$description"):
        if f"{base}/{name}" not in there:
            found.append(f"no {name}")
    if found:
        return found
    if there[f"{base}/$state"].decode() not in STATES:
        found.append(f"$state is {there[f'{base}/$state']!r}")
    document = json.loads(there[f"{base}/$description"])
    found += _description(document)
    if found:
        return found
    for topic, payload in there.items():
        found += _topic(topic.removeprefix(f"{base}/"), payload, document)
    return found


def _fields(where: str, given: Any, known: Mapping[str, type], required: set[str]) -> list[str]:
    if not isinstance(given, dict):
        return [f"{where} is not an object"]
    found = [f"{where} has no {name}" for name in required - given.keys()]
    for name, value in given.items():
        if name not in known:
            found.append(f"{where} has an unknown {name}")
        elif type(value) is not known[name]:  # no field may be null, and true is no integer
            found.append(f"{where}: {name} is {value!r}")
    return found


def _description(document: Any) -> list[str]:
    """ "Device Attributes", "Node Attributes", "Property Attributes"."""
    found = _fields("device", document, DEVICE_FIELDS, {"homie", "version", "name"})
    if found:
        return found
    if not re.fullmatch(r"5\.\d+", document["homie"]):
        found.append(f"homie is {document['homie']}")
    # "Integer": 64 bits with a sign.
    if not -(2**63) <= document["version"] < 2**63:
        found.append("version is no 64-bit integer")
    # A root device has neither root nor parent.
    found += [f"a root device has a {name}" for name in ("root", "parent") if name in document]
    for node, fields in document.get("nodes", {}).items():
        if not ID.fullmatch(node):
            found.append(f"node id {node}")
        found += _fields(node, fields, NODE_FIELDS, set())
        for name, field in fields.get("properties", {}).items():
            if not ID.fullmatch(name):
                found.append(f"property id {name}")
            found += _fields(name, field, PROPERTY_FIELDS, {"datatype"}) or _property(name, field)
    return found


def _property(name: str, field: Mapping[str, Any]) -> list[str]:
    """ "Formats": `[min]:[max][:step]` for numbers, a list for enum."""
    datatype, form = field["datatype"], field.get("format")
    if datatype not in DATATYPES:
        return [f"{name}: datatype {datatype}"]
    if datatype in ("enum", "color") and not form:
        return [f"{name}: {datatype} needs a format"]
    if datatype == "enum":
        values = str(form).split(",")
        if "" in values or len(set(values)) != len(values):
            return [f"{name}: format {form}"]
    if datatype in ("float", "integer") and form is not None:
        parts = form.split(":")
        if len(parts) not in (2, 3) or any(p and not FLOAT.fullmatch(p) for p in parts):
            return [f"{name}: format {form}"]
    return []


def _topic(name: str, payload: bytes, document: Mapping[str, Any]) -> list[str]:
    """ "Payloads": valid for the type; UTF-8 without a byte order mark."""
    if payload.startswith(b"\xef\xbb\xbf"):
        return [f"{name}: begins with a byte order mark"]
    text = payload.decode("utf-8")
    if name in ("$state", "$description"):
        return []
    first, _, rest = name.partition("/")
    if first == "$alert":  # "Alert topic"
        return [] if ID.fullmatch(rest) else [f"alert id {rest}"]
    field = document.get("nodes", {}).get(first, {}).get("properties", {}).get(rest)
    if field is None:
        return [f"{name} is not in the description"]
    return [] if _valid(text, field) else [f"{name}: {text!r} is no {field['datatype']}"]


def _valid(text: str, field: Mapping[str, Any]) -> bool:
    datatype, form = field["datatype"], field.get("format", "")
    if datatype == "boolean":
        return text in ("true", "false")
    if datatype == "enum":
        return text in form.split(",")
    if datatype == "float":
        if not FLOAT.fullmatch(text):
            return False
        low, _, high = (form or ":").partition(":")
        high = high.partition(":")[0]
        return (not low or float(text) >= float(low)) and (not high or float(text) <= float(high))
    return datatype == "string"
