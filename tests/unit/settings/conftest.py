"""A clean environment and a short way to write, load and mistrust a configuration."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.errors import SettingsError
from monitor.settings.load import load
from monitor.settings.model import SettingsTree

MINIMAL = """\
[site]
id = "fish_room"

[filters.left.flow_sensor]
pin = 17

[filters.right.flow_sensor]
pin = 27
"""


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.upper().startswith("CANISTER_"):
            monkeypatch.delenv(name)


@pytest.fixture
def minimal() -> str:
    """The shortest file with two filters, `left` on pin 17 and `right` on pin 27."""
    return MINIMAL


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Where `loaded` and `problems` write the configuration."""
    return tmp_path / "canister.toml"


@pytest.fixture
def loaded(file: Path) -> Callable[[str], SettingsTree]:
    """Write a configuration, load it, return its settings."""

    def build(text: str) -> SettingsTree:
        file.write_text(text, encoding="utf-8")
        return load(file).tree

    return build


@pytest.fixture
def problems(file: Path) -> Callable[[str], tuple[str, ...]]:
    """Write a configuration that must be refused, return its problems.

    Each is held to be one line that names the file or the environment variable.
    """

    def build(text: str) -> tuple[str, ...]:
        file.write_text(text, encoding="utf-8")
        with pytest.raises(SettingsError) as caught:
            load(file)
        for line in caught.value.problems:
            assert "\n" not in line
            assert line.startswith((f"{file}: ", "environment variable "))
        assert str(caught.value) == "\n".join(caught.value.problems)
        return caught.value.problems

    return build
