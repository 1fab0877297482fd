"""Writes the commented reference file from the settings classes.

`python -m monitor.settings.reference > deploy/canister.reference.toml`, and with the word `fleet` for
deploy/fleet/fleet.reference.toml; a test holds the files to it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from enum import Enum
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from monitor.settings.base import ENVIRONMENT_PREFIX
from monitor.settings.figure import Figure
from monitor.settings.fleet import FleetTree
from monitor.settings.model import SettingsTree
from monitor.settings.schema import named_section, section, unit_of

# Names that the reference gives to tables which a user names.
_NAMES = {
    "filters": "long_tank",
    "hoses": "inlet",
    "fittings": "elbows",
    "media": "coarse",
    "materials": "my_foam",
}

_HEAD = f"""\
# Every key of canister-monitor: what it means, its unit, its default. A key that is commented out
# shows its default; the others have none, or stand here as an example of an optional table.
# Copy this file to /etc/canister-monitor/canister.toml and change it there.
#
# Each key can be overridden from the environment: {ENVIRONMENT_PREFIX} and the path in capitals, levels
# parted by two underscores, lists as JSON. For example
# {ENVIRONMENT_PREFIX}FILTERS__LONG_TANK__LIMITS__CLEANING_DUE_SHARE=0.7
#
# Ids and names of tables: a lower-case letter, then letters, digits and single underscores.
# Hoses, fittings and media layers may be given again under other names; media stand in the
# direction of flow. `canister check` says what is wrong with a file, all of it at once.
"""


_FLEET_HEAD = """\
# Every key of a fleet's hub: what it means, its unit, its default. A key that is commented out shows
# its default; the others have none. Copy this file to /etc/canister-monitor/fleet.toml on the machine
# where the hub runs, and change it there. `canister hub check` says what is wrong with it.
"""


def reference() -> str:
    """Return the text of the reference file."""
    return _HEAD + "".join(_table(SettingsTree, ()))


def fleet_reference() -> str:
    """Return the text of the reference file of a fleet's hub."""
    return _FLEET_HEAD + "".join(_table(FleetTree, ()))


def _table(model: type[BaseModel], path: tuple[str, ...]) -> Iterator[str]:
    below: list[tuple[str, FieldInfo, type[BaseModel], bool]] = []
    if path:
        yield f"\n[{'.'.join(path)}]\n"
        yield f"# {(model.__doc__ or '').strip()}\n"
    for name, field in model.model_fields.items():
        inner, named = section(field.annotation), named_section(field.annotation)
        if inner is not None:
            below.append((name, field, inner, False))
        elif named is not None:
            below.append((name, field, named, True))
        else:
            yield from _key(name, field)
    for name, _field, inner, is_named in below:
        deeper = (*path, name, _NAMES[name]) if is_named else (*path, name)
        yield from _table(inner, deeper)


def _key(name: str, field: FieldInfo) -> Iterator[str]:
    unit = unit_of(field)
    extra = field.json_schema_extra
    example = extra.get("example") if isinstance(extra, Mapping) else None
    said = f"# {field.description}" + (f" [{unit}]" if unit else "")
    if field.is_required():
        yield f"{said}\n{name} = {_toml(example)}\n"
    elif field.default is None and example is not None:
        yield f"{said}; unset by default\n{name} = {_toml(example)}\n"
    elif field.default is None or field.default_factory is not None:
        sample = extra.get("sample") if isinstance(extra, Mapping) else None
        yield f"{said}; {'none' if field.default_factory else 'unset'} by default, for example:\n# {name} = {_toml(sample)}\n"
    else:
        yield f"{said}\n# {name} = {_toml(field.default)}\n"


def _toml(value: Any) -> str:
    if isinstance(value, Figure):
        value = value.value
    if isinstance(value, Enum):
        value = value.value
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return str(value).lower() if isinstance(value, bool) else str(value)


if __name__ == "__main__":
    print(fleet_reference() if sys.argv[1:] == ["fleet"] else reference(), end="")
