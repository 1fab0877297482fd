"""Walks the settings classes by key path, for error texts, environment names and the reference."""

from __future__ import annotations

import difflib
import types
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from monitor.settings.model import SettingsTree

Path = Sequence[str | int]


def plain(annotation: Any) -> Any:
    """Return an annotation without `Annotated` and without `| None`."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return plain(get_args(annotation)[0])
    if origin in (Union, types.UnionType):
        inner = [a for a in get_args(annotation) if a is not type(None)]
        if len(inner) == 1:
            return plain(inner[0])
    return annotation


def section(annotation: Any) -> type[BaseModel] | None:
    """Return the settings class that an annotation holds, if it holds just one."""
    found = plain(annotation)
    return found if isinstance(found, type) and issubclass(found, BaseModel) else None


def named_section(annotation: Any) -> type[BaseModel] | None:
    """Return the settings class of a table of named tables, such as the hoses of a filter."""
    found = plain(annotation)
    return section(get_args(found)[1]) if get_origin(found) is dict else None


def field_at(path: Path, root: type[BaseModel] = SettingsTree) -> FieldInfo | None:
    """Return the key at a path, or `None` where the path leads to a named table or nowhere."""
    holder: type[BaseModel] | None = root
    names: type[BaseModel] | None = None
    field: FieldInfo | None = None
    for step in path:
        if names is not None:  # this step is a user's own name
            holder, names, field = names, None, None
            continue
        field = holder.model_fields.get(str(step)) if holder is not None else None
        if field is None:
            return None
        holder, names = section(field.annotation), named_section(field.annotation)
    return field


def known_keys(path: Path, root: type[BaseModel] = SettingsTree) -> tuple[str, ...]:
    """Return the keys that may stand in the table at a path; empty where any name may."""
    holder: type[BaseModel] | None = root
    names: type[BaseModel] | None = None
    for step in path:
        if names is not None:
            holder, names = names, None
            continue
        field = holder.model_fields.get(str(step)) if holder is not None else None
        if field is None:
            return ()
        holder, names = section(field.annotation), named_section(field.annotation)
    return tuple(holder.model_fields) if holder is not None else ()


def unit_of(field: FieldInfo | None) -> str:
    """Return the unit of a key, empty for none."""
    extra = field.json_schema_extra if field is not None else None
    return str(extra.get("unit", "")) if isinstance(extra, Mapping) else ""


def nearest(word: str, words: Iterable[str]) -> str:
    """Return `; nearest known: x`, or what is known where nothing is near."""
    known = list(words)
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    if close:
        return f"; the nearest known is {close[0]}"
    return f"; known here: {', '.join(known)}" if known else ""


def dotted(path: Path) -> str:
    """Return a path as `filters.left.pump.max_head_m`."""
    return ".".join(str(step) for step in path)
