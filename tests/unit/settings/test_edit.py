"""Values are changed in place: comments and all else stay, the old file is kept, rights too."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import SettingsError, StorageError
from monitor.settings.edit import edited, replaced

EXAMPLES = sorted((Path(__file__).resolve().parents[3] / "deploy" / "examples").glob("[!m]*.toml"))
TEXT = """\
# a note of mine
[site]
id = "test"   # short

[filters.left]  # the left one
flow_sensor = { pin = 17 } # green wire
[filters.left.hoses.both]
bore_mm = 16
length_m = 3
[filters.right]
flow_sensor.pin = 27
"""


def test_only_the_values_asked_for_change() -> None:
    new = edited(
        TEXT,
        {
            "filters.left.flow_sensor.pulses_per_litre": 453.7,
            "filters.left.tank.min_c": 22.0,
            "filters.right.flow_sensor.pulses_per_litre": 440.0,
            "filters.left.hoses.both.length_m": None,
            "filters.right.tank.max_c": None,
        },
    )
    for kept in ("# a note of mine", "# short", "# the left one", "# green wire", "bore_mm = 16"):
        assert kept in new
    read = tomllib.loads(new)
    assert read["filters"]["left"]["flow_sensor"] == {"pin": 17, "pulses_per_litre": 453.7}
    assert read["filters"]["right"] == {"flow_sensor": {"pin": 27, "pulses_per_litre": 440.0}}
    assert read["filters"]["left"]["tank"] == {"min_c": 22.0}
    assert read["filters"]["left"]["hoses"]["both"] == {"bore_mm": 16}


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda f: f.name)
def test_comments_of_the_examples_survive(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    name = next(iter(tomllib.loads(text)["filters"]))
    new = edited(text, {f"filters.{name}.limits.cleaning_due_share": 0.7,
                        f"filters.{name}.probe.rom_id": "28-0123456789ab"})  # fmt: skip
    comments = [line for line in text.splitlines() if line.startswith("#")]
    assert [line for line in new.splitlines() if line.startswith("#")] == comments
    assert tomllib.loads(new)["filters"][name]["limits"] == {"cleaning_due_share": 0.7}


_KEYS = st.lists(st.sampled_from(["a", "b", "left", "tank"]), min_size=1, max_size=4).map(".".join)
_VALUES: st.SearchStrategy[Any] = st.one_of(
    st.none(), st.integers(-5, 5), st.floats(-10, 10), st.text(max_size=5), st.just([1.5, 2.5])
)
_TABLES = [
    "",
    "[left]\na = 1\n",
    "[left.tank]\nb = 2 # x\n[left]\na = 1\n",
    "left = {a = {b = 1}}\n",
]


@given(st.sampled_from(_TABLES), st.dictionaries(_KEYS, _VALUES, max_size=4))
def test_a_change_is_made_exactly_or_refused(text: str, changes: dict[str, Any]) -> None:
    try:
        read = tomllib.loads(edited(text, changes))
    except SettingsError:
        return
    last = list(changes.items())[-1:]
    for dotted, value in last:
        here: Any = read
        for step in dotted.split("."):
            here = here.get(step) if isinstance(here, dict) else None
        assert here == value


def test_what_is_no_table_or_no_toml_is_refused() -> None:
    with pytest.raises(SettingsError, match=r"site\.id: expected a table"):
        edited(TEXT, {"site.id.deeper": 1})
    with pytest.raises(SettingsError, match="not valid TOML"):
        edited("[site", {"site.id": "x"})


def test_the_old_file_is_kept_with_its_rights_and_never_written_over(tmp_path: Path) -> None:
    file = tmp_path / "canister.toml"
    file.write_text("a = 1\n")
    file.chmod(0o640)
    copy = replaced(file, "a = 2\n", "2026-11-25-1306")
    assert copy == tmp_path / "canister.toml.2026-11-25-1306"
    again = replaced(file, "a = 3\n", "2026-11-25-1306")
    assert again == tmp_path / "canister.toml.2026-11-25-1306-2"
    assert [f.read_text() for f in (copy, again, file)] == ["a = 1\n", "a = 2\n", "a = 3\n"]
    assert {f.stat().st_mode & 0o777 for f in (copy, again, file)} == {0o640}
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(f.name for f in (copy, again, file))


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    file, link = tmp_path / "real.toml", tmp_path / "canister.toml"
    file.write_text("a = 1\n")
    link.symlink_to(file)
    replaced(link, "a = 2\n", "x")
    assert link.is_symlink()
    assert file.read_text() == "a = 2\n"


def test_where_nothing_can_be_written(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="cannot be written: No such file or directory"):
        replaced(tmp_path / "none" / "canister.toml", "a = 1\n", "x")
