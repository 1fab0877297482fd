"""The GPIO chip of the header: wrong group, another board, pins that somebody else holds.

lgpio is stood in for by tests/support/chips.py.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import SensorError
from monitor.sensing import gpio
from tests.support.chips import Chips


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    def build(labels: dict[int, str | None], users: dict[int, str] | None = None) -> Chips:
        chips = Chips(labels, users or {})
        for number in labels:
            (tmp_path / f"gpiochip{number}").touch()
        monkeypatch.setattr(gpio, "_DEVICES", tmp_path)
        monkeypatch.setitem(sys.modules, "lgpio", chips)
        return chips

    return build


def test_the_wrong_group_is_told_with_its_remedy(
    machine: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine({0: None})
    monkeypatch.setattr(gpio.os, "access", lambda *_: False)  # root may always
    with pytest.raises(SensorError, match=r"no permission; .*sudo usermod -aG gpio \w+"):
        gpio.header_factory()


def test_another_board_is_told_from_a_wrong_group(machine: Any) -> None:
    chips = machine({0: "some other chip", 3: None})
    with pytest.raises(SensorError, match="none with the label"):
        gpio.header_factory()
    assert chips.open_now == 0


def test_who_holds_a_pin_is_named_and_nothing_stays_open(machine: Any) -> None:
    chips = machine({0: "gpio-brcmstb", 4: "pinctrl-rp1"}, {17: "lg", 27: ""})
    assert gpio.held_by_others((4, 17, 27)) == {17: "lg", 27: "a program without a name"}
    assert gpio.held_by_others((4, 99)) == {}
    assert chips.open_now == 0


def test_lgpio_needs_no_folder_that_can_be_written() -> None:
    """Its import makes a pipe in the current folder; here that folder is gone, root or not."""
    if importlib.util.find_spec("lgpio") is None:
        pytest.skip("lgpio has no wheel for this Python")
    script = (
        "import os, tempfile\n"
        "os.chdir(folder := tempfile.mkdtemp()); os.rmdir(folder)\n"
        "from monitor.sensing import gpio\n"
        "print(gpio._lgpio().__name__)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False,
        cwd=Path(__file__).resolve().parents[3],
    )  # fmt: skip
    assert done.stdout.strip() == "lgpio", done.stderr
