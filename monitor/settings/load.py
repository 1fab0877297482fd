"""Reads the file and the environment, and reports every problem at once."""

from __future__ import annotations

import itertools
import json
import os
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args, get_origin

from pydantic import ValidationError
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    SettingsConfigDict,
    TomlConfigSettingsSource,
)
from pydantic_settings.exceptions import SettingsError as ForeignSettingsError

from monitor.errors import SettingsError, SizingError
from monitor.settings.base import ENVIRONMENT_PREFIX, FLEET_VARIABLE
from monitor.settings.card import lend, read_card, read_raw
from monitor.settings.figure import Figure
from monitor.settings.model import SettingsTree
from monitor.settings.outward import InfluxSettings, MqttSettings
from monitor.settings.problems import crossed, explain
from monitor.settings.schema import (
    dotted,
    field_at,
    known_keys,
    named_section,
    nearest,
    plain,
    section,
)

DEFAULT_FILE = Path("/etc/canister-monitor/canister.toml")
FILE_VARIABLE = ENVIRONMENT_PREFIX + "CONFIG"
_FILES = (FILE_VARIABLE, FLEET_VARIABLE)
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


def load(option: Path | None = None, sound: bool = True, text: str | None = None) -> Loaded:
    """Read and check the configuration.

    Args:
        option: the file, `None` for the usual places.
        sound: ask the sizing model too whether each described filter is possible.
        text: what is to stand in the file, to check it before it does; `None` reads the file.

    Raises:
        SettingsError: with one line for each problem, all of them at once.
    """
    file = chosen_file(option)
    written = _read(file) if text is None else _parsed(text, file)
    surroundings, problems = _environment(written)
    raw = _merged(written, surroundings)
    problems += _lend_cards(raw, file)

    def where(path: Sequence[str | int]) -> str:
        if _has(surroundings, path):
            named = itertools.takewhile(lambda step: isinstance(step, str), path)
            name = _DELIMITER.join(str(step) for step in named).upper()
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


def address_lines(key: str, file: str) -> tuple[str, ...]:
    """Return the addresses in a file, one a line; empty lines and lines with # are passed over.

    Raises:
        SettingsError: the file cannot be read, or holds none.
    """
    if not file:
        return ()
    try:
        lines = Path(file).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            [
                f"{key}: cannot read {file}: {_reason(error)}; put it there, for the daemon's user only"
            ]
        ) from error
    found = tuple(x for line in lines if (x := line.strip()) and not x.startswith("#"))
    if not found:
        raise SettingsError([f"{key}: {file} holds no address; put one a line"])
    return found


def token(influx: InfluxSettings) -> str:
    """Return the token for the history's server, empty where none is wanted.

    Raises:
        SettingsError: the file cannot be read, or its first line is empty.
    """
    if not influx.token_file:
        return ""
    try:
        lines = Path(influx.token_file).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            [
                f"influx.token_file: cannot read {influx.token_file}: {_reason(error)}; put it there, "
                "for the daemon's user only"
            ]
        ) from error
    if not lines or not lines[0].strip():
        raise SettingsError(
            [f"influx.token_file: {influx.token_file} is empty; put the token on line 1"]
        )
    return lines[0].strip()


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
    except PermissionError as error:
        raise SettingsError(
            [f"{file}: this user may not read it; run the command with sudo"]
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError([f"{file}: cannot be read: {_reason(error)}"]) from error


def _parsed(text: str, file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([f"{file}: not valid TOML: {error}; mend that line"]) from error


def _reason(error: Exception) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else "not UTF-8 text"


def _environment(written: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Return what the environment overrides, and a line for each name that means nothing."""
    problems = []
    good: dict[str, str] = {}
    for name, value in sorted(os.environ.items()):
        if not name.upper().startswith(ENVIRONMENT_PREFIX) or name in _FILES:
            continue
        path = name[len(ENVIRONMENT_PREFIX) :].lower().split(_DELIMITER)
        wrong = f"write it in capitals: {name.upper()}" if name != name.upper() else None
        wrong = wrong or _unknown(path, written) or _not_a_list(path, value)
        if wrong is not None:
            problems.append(f"environment variable {name}: {wrong}")
        else:
            good[name] = _readable(path, value)
    source = EnvSettingsSource(_Shape)
    source.env_vars = {name.lower(): value for name, value in good.items()}
    try:
        return dict(source()), problems
    except ForeignSettingsError as error:
        return {}, [*problems, f"environment: {error}; expected JSON text there"]


def _readable(path: Sequence[str], value: str) -> str:
    """A figure that is not JSON, as text: so it reaches our own check, which names key and limits."""
    field = field_at(path)
    if field is None or Figure not in (field.annotation, *get_args(field.annotation)):
        return value
    try:
        json.loads(value)
    except ValueError:
        return json.dumps(value)
    return value


def _not_a_list(path: Sequence[str], value: str) -> str | None:
    """Say so where a list is wanted and the text is none."""
    field = field_at(path)
    if field is None or get_origin(plain(field.annotation)) is not list:
        return None
    try:
        found = json.loads(value)
    except ValueError:
        found = None
    if isinstance(found, list):
        return None
    return f"{dotted(path)}: got {value!r}, expected a list as JSON text"


def _unknown(path: Sequence[str], written: Mapping[str, Any]) -> str | None:
    filters = written.get("filters")
    names = tuple(filters) if isinstance(filters, Mapping) else ()
    if len(path) > 1 and path[0] == "filters" and names and path[1] not in names:
        return f"no filter {path[1]} in the file{nearest(path[1], names)}"
    field = field_at(path)
    if field is not None:
        if section(field.annotation) is None and named_section(field.annotation) is None:
            return None
        return "names a table, not a key; add the key after two underscores"
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
    above = field_at(path[:-1])
    if (
        above is not None
        and section(above.annotation) is None
        and named_section(above.annotation) is None
    ):
        return f"goes too deep: {dotted(path[:-1])} is a key, not a table"
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


def _lend_cards(raw: dict[str, Any], file: Path) -> list[str]:
    """Put the tables of the cards that filters name beneath their own; return the problems."""
    filters = raw.get("filters")
    problems: list[str] = []
    if not isinstance(filters, Mapping):
        return problems
    lent = dict(filters)
    for name, settings in filters.items():
        card = settings.get("card") if isinstance(settings, Mapping) else None
        if not isinstance(card, str) or not card:
            continue
        try:
            read_card(file.parent / card)
            lent[name] = lend(read_raw(file.parent / card), settings)
        except SettingsError as error:
            problems += [f"filters.{name}.card: {problem}" for problem in error.problems]
    raw["filters"] = lent
    return problems


def _has(tree: Mapping[str, Any], path: Sequence[str | int]) -> bool:
    here: Any = tree
    for step in path:
        if isinstance(here, list):  # the whole list comes from there
            return True
        if not isinstance(here, Mapping) or step not in here:
            return False
        here = here[step]
    return bool(path)


def _unsound(tree: SettingsTree, file: Path) -> list[str]:
    """Return the parts that are each well written and together impossible."""
    # Both bring the sizing model's library, which not every command needs.
    from monitor.settings.convert import installation
    from monitor.sizing.report import size

    problems = []
    for name, settings in tree.filters.items():
        if settings.pump is None:
            continue
        try:
            size(installation(name, settings, tree.materials))
        except SizingError as error:
            problems.append(f"{file}: filters.{name}: {error}")
    return problems
