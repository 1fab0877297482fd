"""Reads the file and the environment, and reports every problem at once."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    SettingsConfigDict,
    TomlConfigSettingsSource,
)
from pydantic_settings.exceptions import SettingsError as ForeignSettingsError

from monitor.errors import SettingsError, SizingError
from monitor.settings.model import ENVIRONMENT_PREFIX, MqttSettings, SettingsTree
from monitor.settings.problems import crossed, explain
from monitor.settings.schema import dotted, field_at, known_keys, nearest

DEFAULT_FILE = Path("/etc/canister-monitor/canister.toml")
FILE_VARIABLE = ENVIRONMENT_PREFIX + "CONFIG"
_DELIMITER = "__"


class _Shape(BaseSettings, SettingsTree):
    """The tree as pydantic-settings wants it, to read the environment by."""

    model_config = SettingsConfigDict(
        env_prefix=ENVIRONMENT_PREFIX, env_nested_delimiter=_DELIMITER, extra="forbid", frozen=True
    )


class Loaded:
    """Settings that hold, and where they came from."""

    def __init__(self, tree: SettingsTree, file: Path) -> None:
        self.tree = tree
        self.file = file


def chosen_file(option: Path | None) -> Path:
    """Return the file to read: the option, else CANISTER_CONFIG, else the usual place."""
    if option is not None:
        return option
    return Path(os.environ.get(FILE_VARIABLE, "") or DEFAULT_FILE)


def load(option: Path | None = None, sound: bool = True) -> Loaded:
    """Read and check the configuration.

    Args:
        option: the file, `None` for the usual places.
        sound: ask the sizing model too whether each described filter is possible.

    Raises:
        SettingsError: with one line for each problem, all of them at once.
    """
    file = chosen_file(option)
    written = _read(file)
    surroundings, problems = _environment(written)
    raw = _merged(written, surroundings)

    def where(path: Sequence[str | int]) -> str:
        if _has(surroundings, path):
            name = _DELIMITER.join(str(step) for step in path).upper()
            return f"environment variable {ENVIRONMENT_PREFIX}{name}"
        return str(file)

    tree: SettingsTree | None = None
    try:
        tree = SettingsTree.model_validate(raw)
    except ValidationError as error:
        problems += [explain(dict(e), where) for e in error.errors(include_url=False)]
    problems += crossed(raw, where)
    if tree is not None and sound:
        problems += _unsound(tree, file)
    if problems or tree is None:
        raise SettingsError(list(dict.fromkeys(problems)))
    return Loaded(tree, file)


def password(mqtt: MqttSettings) -> str | None:
    """Return the broker password from the settings or from its file.

    Raises:
        SettingsError: the file cannot be read or is empty.
    """
    if mqtt.password is not None:
        return mqtt.password.get_secret_value()
    if not mqtt.password_file:
        return None
    try:
        lines = Path(mqtt.password_file).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            [f"mqtt.password_file: cannot read {mqtt.password_file}: {_reason(error)}"]
        ) from error
    if not lines or not lines[0]:
        raise SettingsError(
            [f"mqtt.password_file: {mqtt.password_file} is empty; put the password on line 1"]
        )
    return lines[0]


def _read(file: Path) -> dict[str, Any]:
    if not file.is_file():
        raise SettingsError(
            [
                f"{file}: no such file; copy deploy/canister.reference.toml there and fill it in, "
                f"or name another with --config or {FILE_VARIABLE}"
            ]
        )
    try:
        return dict(TomlConfigSettingsSource(_Shape, file)())
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([f"{file}: not valid TOML: {error}; mend that line"]) from error
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError([f"{file}: cannot be read: {_reason(error)}"]) from error


def _reason(error: Exception) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else "not UTF-8 text"


def _environment(written: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Return what the environment overrides, and a line for each name that means nothing."""
    problems = []
    for name in sorted(os.environ):
        if name.startswith(ENVIRONMENT_PREFIX) and name != FILE_VARIABLE:
            path = name.removeprefix(ENVIRONMENT_PREFIX).lower().split(_DELIMITER)
            wrong = _unknown(path, written)
            if wrong is not None:
                problems.append(f"environment variable {name}: {wrong}")
    if problems:
        return {}, problems
    try:
        return dict(EnvSettingsSource(_Shape)()), []
    except ForeignSettingsError as error:
        return {}, [f"environment: {error}; expected JSON text there"]


def _unknown(path: Sequence[str], written: Mapping[str, Any]) -> str | None:
    filters = written.get("filters")
    names = tuple(filters) if isinstance(filters, Mapping) else ()
    if len(path) > 1 and path[0] == "filters" and names and path[1] not in names:
        return f"no filter {path[1]} in the file{nearest(path[1], names)}"
    if field_at(path) is not None:
        return None
    depth = next(
        (
            n
            for n in range(1, len(path) + 1)
            if field_at(path[:n]) is None and known_keys(path[: n - 1])
        ),
        len(path),
    )
    stem = dotted(path[: depth - 1])
    known = known_keys(path[: depth - 1])
    if depth == len(path) and not known:
        return "names a table, not a key; add the key after two underscores"
    place = f"unknown key {path[depth - 1]}" + (f" in {stem}" if stem else "")
    shown = [_DELIMITER.join([*path[: depth - 1], k]).upper() for k in known]
    word = ENVIRONMENT_PREFIX + _DELIMITER.join(path[:depth]).upper()
    return place + nearest(word, [ENVIRONMENT_PREFIX + s for s in shown])


def _merged(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    result = dict(below)
    for name, value in above.items():
        old = result.get(name)
        both = isinstance(old, Mapping) and isinstance(value, Mapping)
        result[name] = _merged(old, value) if both else value  # type: ignore[arg-type]
    return result


def _has(tree: Mapping[str, Any], path: Sequence[str | int]) -> bool:
    here: Any = tree
    for step in path:
        if not isinstance(here, Mapping) or step not in here:
            return False
        here = here[step]
    return bool(path)


def _unsound(tree: SettingsTree, file: Path) -> list[str]:
    """Return the parts that are each well written and together impossible."""
    from monitor.settings.convert import installation  # brings the sizing model's library

    problems = []
    for name, settings in tree.filters.items():
        if settings.pump is None:
            continue
        try:
            installation(name, settings)
        except SizingError as error:
            problems.append(f"{file}: filters.{name}: {error}")
    return problems
