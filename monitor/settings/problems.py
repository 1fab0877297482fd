"""One clear line for each thing that is wrong with the configuration."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pydantic import BaseModel

from monitor.settings.figure import SHAPE
from monitor.settings.model import SettingsTree
from monitor.settings.schema import dotted, field_at, known_keys, nearest, unit_of

Where = Callable[[Sequence[str | int]], str]

_SHOWN_CHARACTERS = 60
_EXPECTED: dict[str, str] = {
    "bool_parsing": "true or false",
    "bool_type": "true or false",
    "dict_type": "a table",
    "finite_number": "a finite number",
    "figure": SHAPE,
    "figure_order": "a range that rises: [low, high] or [low, likely, high]",
    "float_parsing": "a number",
    "float_type": "a number",
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "int_type": "a whole number",
    "less_than": "less than {lt}",
    "less_than_equal": "{le} or less",
    "list_type": "a list",
    "model_type": "a table",
    "string_type": "text in quotes",
    "tuple_type": "a pair [flow, head]",
}
_PATTERNS: dict[str, str] = {
    "rom_id": "28- and twelve of 0-9 a-f, as `ls /sys/bus/w1/devices` prints it",
    "topic_root": "letters, digits, - and _, levels parted by /",
    "url": "http:// or https:// and a host, no name or password",
    "prefix": "letters, digits and _, a letter first (- and / too for Home Assistant)",
    "": "a lower-case letter, then letters, digits and single _ between them",
}


def explain(error: Mapping[str, Any], where: Where, root: type[BaseModel] = SettingsTree) -> str:
    """Return one line for one pydantic error in the tree of `root`."""
    path: tuple[str | int, ...] = tuple(p for p in error["loc"] if p != "[key]")
    kind, value = str(error["type"]), error.get("input")
    place = f"{where(path)}: {dotted(path)}"
    if kind == "extra_forbidden":
        known = known_keys(path[:-1], root)
        return f"{place}: unknown key{nearest(str(path[-1]), known)}"
    field = field_at(path, root)
    meaning = f" ({field.description})" if field is not None and field.description else ""
    if kind == "missing":
        return f"{place}: missing{meaning}; add it"
    return f"{place}: got {_shown(value, path)}, expected {_expected(error, path, root)}{meaning}"


def _expected(error: Mapping[str, Any], path: Sequence[str | int], root: type[BaseModel]) -> str:
    kind, context = str(error["type"]), error.get("ctx") or {}
    unit = unit_of(field_at(path, root))
    if kind in _EXPECTED:
        text = _EXPECTED[kind].format(**{k: _number(v) for k, v in context.items()})
        if kind.startswith(("greater", "less")) and unit:
            return f"{text} {unit}"
        return f"{text} ({unit})" if kind.startswith("float") and unit else text
    if kind == "not_boolean":
        return "something other than true or false"
    if kind == "string_pattern_mismatch":
        last = str(path[-1]) if path else ""
        return _PATTERNS.get(last, _PATTERNS[""])
    if kind in ("enum", "literal_error"):
        return str(context.get("expected", "one of the known words"))
    if kind in ("too_short", "too_long"):
        bound = context.get("min_length", context.get("max_length"))
        return f"{'at least' if kind == 'too_short' else 'at most'} {_counted(bound, 'entry')}"
    if kind in ("string_too_short", "string_too_long"):
        bound = context.get("min_length", context.get("max_length"))
        some = "at least" if kind == "string_too_short" else "at most"
        return f"{some} {_counted(bound, 'character')}"
    return str(error["msg"])


def _number(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _counted(number: Any, what: str) -> str:
    several = what[:-1] + "ies" if what.endswith("y") else what + "s"
    return f"{number} {what if number == 1 else several}"


def _shown(value: Any, path: Sequence[str | int]) -> str:
    if path and path[-1] in ("password", "url", "ping_url"):
        return "something that is not shown here"
    if isinstance(value, dict):
        return f"a table of {len(value)}"
    text = repr(value).replace("\n", " ")
    return text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 1] + "…"


def crossed(raw: Mapping[str, Any], where: Where) -> list[str]:
    """Return the problems that lie between keys, read from the unchecked tables.

    They are looked for even where other keys are wrong, so that all problems come at once.
    """
    filters = raw.get("filters")
    lines: list[str] = []
    if not isinstance(filters, Mapping):
        return lines
    for path, said in (
        (("flow_sensor", "pin"), "GPIO pin"),
        (("probe", "rom_id"), "probe"),
    ):
        lines += _shared(filters, path, said, where)
    lines += _leak_pin(raw.get("leak"), filters, where)
    for name, settings in filters.items():
        lines += _limits(str(name), settings, where)
    mqtt = raw.get("mqtt")
    if isinstance(mqtt, Mapping) and "password" in mqtt and mqtt.get("password_file"):
        lines.append(
            f"{where(('mqtt', 'password'))}: mqtt.password: given beside mqtt.password_file; "
            "keep one of them"
        )
    tls = mqtt.get("tls") if isinstance(mqtt, Mapping) else None
    if isinstance(tls, Mapping) and bool(tls.get("cert_file")) != bool(tls.get("key_file")):
        lines.append(
            f"{where(('mqtt', 'tls'))}: mqtt.tls: cert_file and key_file come together; "
            "give both or neither"
        )
    return lines


def _shared(
    filters: Mapping[Any, Any], path: tuple[str, str], said: str, where: Where
) -> list[str]:
    first: dict[str, str] = {}
    lines = []
    for name, settings in filters.items():
        part = settings.get(path[0]) if isinstance(settings, Mapping) else None
        value = part.get(path[1]) if isinstance(part, Mapping) else None
        if value is None:
            continue
        value = _as_written_by_others(value)
        if str(value) in first:
            whole = ("filters", str(name), *path)
            lines.append(
                f"{where(whole)}: {dotted(whole)}: {said} {value} already belongs to filter "
                f"{first[str(value)]}; give each filter its own"
            )
        first.setdefault(str(value), str(name))
    return lines


def _leak_pin(leak: Any, filters: Mapping[Any, Any], where: Where) -> list[str]:
    """The leak contact's pin must not be a flow sensor's."""
    pin = _as_written_by_others(leak.get("pin")) if isinstance(leak, Mapping) else None
    for name, settings in filters.items():
        sensor = settings.get("flow_sensor") if isinstance(settings, Mapping) else None
        taken = sensor.get("pin") if isinstance(sensor, Mapping) else None
        if pin is not None and _as_written_by_others(taken) == pin:
            return [
                f"{where(('leak', 'pin'))}: leak.pin: GPIO pin {pin} already belongs to filter "
                f"{name}; give the contact its own"
            ]
    return []


def _as_written_by_others(value: Any) -> Any:
    """17, 17.0, "17" and "017" are one pin."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        return value
    return int(number) if number.is_integer() else value


def _limits(name: str, settings: Any, where: Where) -> list[str]:
    limits = settings.get("limits") if isinstance(settings, Mapping) else None
    if not isinstance(limits, Mapping):
        return []
    shares = []
    for key in ("cleaning_due_share", "flow_low_share", "flow_stopped_share"):
        field = field_at(("filters", name, "limits", key))
        default = field.default if field is not None else 0.0
        try:
            shares.append((key, float(limits.get(key, default))))
        except (TypeError, ValueError):
            return []
    lines = []
    margin = limits.get("clear_margin", 0.05)
    # Each of the two out of its own range is told already.
    if isinstance(margin, int | float) and margin <= 0.3 and 1.0 - margin <= shares[0][1] < 1.0:
        path = ("filters", name, "limits", "clear_margin")
        lines.append(
            f"{where(path)}: {dotted(path)}: {shares[0][0]} {shares[0][1]:g} plus this margin "
            f"{margin:g} must lie below 1, or the alarm could never clear"
        )
    for (upper, high), (lower, low) in itertools.pairwise(shares):
        if high <= low:
            path = ("filters", name, "limits", lower if lower in limits else upper)
            lines.append(
                f"{where(path)}: {dotted(path)}: {lower} {low:g} must lie below {upper} {high:g}"
            )
    return lines
