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


# From gpiodetect on such boards: pull request 6144 of github.com/raspberrypi/linux, issue 280 of
# github.com/WiringPi/WiringPi, issue 1119 of github.com/adafruit/Adafruit_Blinka (which of its 11 to 15
# is the header's is invented here, as are the boards turned round, with an adapter, and not ours).
LAYOUTS = {
    "zero to three": ({0: "pinctrl-bcm2835", 1: "raspberrypi-exp-gpio"}, 0),
    "four": ({0: "pinctrl-bcm2711", 1: "raspberrypi-exp-gpio"}, 0),
    "four, turned round": ({0: "raspberrypi-exp-gpio", 1: "pinctrl-bcm2711"}, 1),
    "five, first kernels": (dict.fromkeys(range(4), "gpio-brcmstb@107d5") | {4: "pinctrl-rp1"}, 4),
    "five": ({0: "pinctrl-rp1"} | dict.fromkeys(range(10, 14), "gpio-brcmstb@107d5"), 0),
    "five, newest kernels": (
        dict.fromkeys(range(11, 15), "gpio-brcmstb@107d5") | {15: "pinctrl-rp1"},
        15,
    ),
    "an adapter in front": (dict.fromkeys(range(20), "ftdi-cbus") | {20: "pinctrl-rp1"}, 20),
    "one that is not ours to open": ({0: None, 1: "pinctrl-bcm2711"}, 1),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_chip_is_found_by_its_label(machine: Any, layout: str) -> None:
    labels, chip = LAYOUTS[layout]
    chips = machine(labels)
    assert gpio._header_chip(chips) == (chip, 100 + chip)
    assert chips.open_now == 1


def test_a_link_with_the_old_number_is_the_same_chip(machine: Any, tmp_path: Path) -> None:
    """ls -l /dev on a fifth board, pull request 1216 of github.com/gpiozero/gpiozero."""
    chips = machine({0: "pinctrl-rp1", 4: "pinctrl-rp1"})
    (tmp_path / "gpiochip4").unlink()
    (tmp_path / "gpiochip4").symlink_to("gpiochip0")
    assert gpio._header_chip(chips)[0] == 0


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
