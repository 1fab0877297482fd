"""The commented reference file: in step with the settings, complete, and loadable."""

from __future__ import annotations

import re
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Union, get_args, get_origin

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from monitor.settings.load import load
from monitor.settings.model import SettingsTree
from monitor.settings.reference import reference

FILE = Path(__file__).resolve().parents[3] / "deploy" / "canister.reference.toml"
TEXT = FILE.read_text(encoding="utf-8")
LINES = TEXT.splitlines()
COMMENTED = re.compile(r"^# ([a-z0-9_]+) = (.*)$")


def models(annotation: Any) -> list[tuple[type[BaseModel], bool]]:
    """Settings classes inside an annotation, and whether the user names their tables."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [(annotation, False)]
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is dict:
        return [(model, True) for model, _ in models(inner[1])]
    if origin is Annotated:
        return models(inner[0])
    if origin in (Union, types.UnionType):
        return [found for one in inner for found in models(one)]
    return []


def keys(model: type[BaseModel], table: str = "") -> Iterator[tuple[str, str, FieldInfo]]:
    """Every (table, key, field) of the model; a name of the user's is written `*`."""
    for name, field in model.model_fields.items():
        below = models(field.annotation)
        if not below:
            yield table, name, field
        for inner, named in below:
            path = f"{table}.{name}".lstrip(".")
            yield from keys(inner, f"{path}.*" if named else path)


ALL = {(table, name): field for table, name, field in keys(SettingsTree)}


def general(table: str) -> str:
    """`filters.x.hoses.y` as `filters.*.hoses.*`."""
    return re.sub(r"\b(filters|hoses|fittings|media|materials)\.[a-z0-9_]+", r"\1.*", table)


def written() -> Iterator[tuple[int, str, str]]:
    """Every (line, table, key) of the file, set or commented out."""
    table = ""
    for number, line in enumerate(LINES):
        if line.startswith("["):
            table = general(line.strip("[]"))
        elif found := re.match(r"^(?:# )?([a-z0-9_]+) =", line):
            yield number, table, found[1]


WRITTEN = list(written())
HIDDEN = [(n, t, k) for n, t, k in WRITTEN if COMMENTED.match(LINES[n])]


def has_plain_default(field: FieldInfo) -> bool:
    return field.default is not None and field.default is not PydanticUndefined


DEFAULTS = [entry for entry in HIDDEN if has_plain_default(ALL[entry[1:]])]
SAMPLES = [entry for entry in HIDDEN if not has_plain_default(ALL[entry[1:]])]


def with_lines_set(tmp_path: Path, *numbers: int, out: tuple[str, ...] = ()) -> SettingsTree:
    """Load the file with some commented lines set, and some set keys commented out."""
    lines = list(LINES)
    for number in numbers:
        lines[number] = lines[number].removeprefix("# ")
    lines = [f"# {line}" if line.startswith(out) and out else line for line in lines]
    file = tmp_path / "canister.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    return load(file).tree


def named(entry: tuple[int, str, str]) -> str:
    return f"{entry[1]}.{entry[2]}"


def test_the_file_is_what_the_settings_classes_say() -> None:
    assert reference() == TEXT


def test_the_file_loads() -> None:
    tree = load(FILE).tree
    assert len(tree.filters) == 1
    assert tree.mqtt is not None


def test_every_key_stands_in_the_file_once_and_no_other_does() -> None:
    found = [(table, name) for _, table, name in WRITTEN]
    assert sorted(found) == sorted(ALL)


def test_every_key_has_its_description_and_unit_above_it() -> None:
    for number, table, name in WRITTEN:
        field = ALL[table, name]
        above = LINES[number - 1]
        assert field.description, (table, name)
        assert above.startswith(f"# {field.description}"), (table, name)
        extra = field.json_schema_extra
        unit = extra.get("unit") if isinstance(extra, dict) else None
        assert not unit or f"[{unit}]" in above, (table, name)


def test_keys_that_must_be_given_are_set_and_defaults_are_not() -> None:
    hidden = {entry[1:] for entry in HIDDEN}
    for key, field in ALL.items():
        if field.is_required():
            assert key not in hidden
        elif has_plain_default(field):
            assert key in hidden


@pytest.mark.parametrize("entry", DEFAULTS, ids=named)
def test_a_default_that_is_set_changes_nothing(entry: tuple[int, str, str], tmp_path: Path) -> None:
    assert with_lines_set(tmp_path, entry[0]) == load(FILE).tree


def test_all_defaults_together_change_nothing(tmp_path: Path) -> None:
    tree = with_lines_set(tmp_path, *(number for number, _, _ in DEFAULTS))
    assert tree == load(FILE).tree


@pytest.mark.parametrize("entry", SAMPLES, ids=named)
def test_an_example_that_is_set_loads(entry: tuple[int, str, str], tmp_path: Path) -> None:
    """Measured points stand instead of the two figures of the box."""
    out = ("rated_flow_l_per_h", "max_head_m") if entry[2] == "points" else ()
    assert with_lines_set(tmp_path, entry[0], out=out) != load(FILE).tree
