"""What the board says of itself, from folders written as the kernel and the boot loader write them.

The names are those of the kernel's Documentation/hwmon/raspberrypi-hwmon.rst and of its driver.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.records import Moment
from monitor.sensing.board import Board, one_wire_pin, overlay_remedy, under_voltage
from monitor.sensing.port import Source


def monitor(folder: Path, number: int, name: str, **files: str) -> Path:
    made = folder / f"hwmon{number}"
    made.mkdir(parents=True, exist_ok=True)
    for file, text in {"name": name, **files}.items():
        (made / file).write_text(f"{text}\n", encoding="ascii")
    return made


@pytest.mark.parametrize(
    ("text", "pin"),
    [
        ("", None),
        ("# dtoverlay=w1-gpio\n", None),
        ("dtoverlay=w1-gpio\n", 4),
        ("[all]\n  dtoverlay=w1-gpio,pullup=1,gpiopin=27\n", 27),
        ("dtoverlay=w1-gpio-pullup,gpiopin=5\n", 5),
        ("dtoverlay=w1-gpio,gpiopin=17 # the bus\n", 17),
    ],
)
def test_the_pin_that_the_boot_loader_gives_to_the_bus(
    tmp_path: Path, text: str, pin: int | None
) -> None:
    """As the firmware's overlays/README describes w1-gpio and its parameter gpiopin, by default 4."""
    file = tmp_path / "config.txt"
    file.write_text(text, encoding="utf-8")
    assert one_wire_pin((tmp_path / "none", file)) == pin
    assert one_wire_pin((tmp_path / "none",)) is None


@pytest.mark.parametrize(("alarm", "low"), [("0", False), ("1", True)])
def test_the_alarm_of_the_right_monitor_counts(tmp_path: Path, alarm: str, low: bool) -> None:
    monitor(tmp_path, 0, "cpu_thermal", in0_lcrit_alarm="1")
    monitor(tmp_path, 1, "rpi_volt", in0_lcrit_alarm=alarm)
    assert under_voltage(tmp_path) is low


def test_a_board_without_the_monitor_says_nothing(tmp_path: Path) -> None:
    assert under_voltage(tmp_path / "none") is None
    monitor(tmp_path, 0, "cpu_thermal")
    (tmp_path / "hwmon1").mkdir()
    monitor(tmp_path, 2, "rpi_volt")  # no alarm file
    assert under_voltage(tmp_path) is None
    assert Board(tmp_path).health(Moment(0.0, 0.0)).working


def test_a_dip_is_held_for_a_minute(tmp_path: Path) -> None:
    """The driver forgets a dip after two seconds; a person would never see it."""
    board = Board(tmp_path)
    assert isinstance(board, Source)
    monitor(tmp_path, 0, "rpi_volt", in0_lcrit_alarm="0")
    assert board.health(Moment(0.0, 0.0)).working
    monitor(tmp_path, 0, "rpi_volt", in0_lcrit_alarm="1")
    assert board.health(Moment(1.0, 0.0)).working  # looked a second ago
    low = board.health(Moment(2.0, 0.0))
    assert not low.working
    assert "under-voltage" in low.line
    assert "supply" in low.remedy
    monitor(tmp_path, 0, "rpi_volt", in0_lcrit_alarm="0")
    assert not board.health(Moment(61.0, 0.0)).working
    assert board.health(Moment(63.0, 0.0)).working


def test_the_remedy_for_a_missing_bus_looks_where_the_boot_loader_looks(tmp_path: Path) -> None:
    new, old = tmp_path / "firmware.txt", tmp_path / "old.txt"
    old.write_text("dtoverlay=w1-gpio\n", encoding="utf-8")
    assert f"stands in {old}: boot again" in overlay_remedy((new, old))
    new.write_text("# dtoverlay=w1-gpio\n[all]\n", encoding="utf-8")
    assert f"add dtoverlay=w1-gpio to {new}" in overlay_remedy((new, old))
    new.write_text("[all]\n  dtoverlay=w1-gpio,gpiopin=22\n", encoding="utf-8")
    assert f"stands in {new}: boot again" in overlay_remedy((new, old))
    assert "/boot/firmware/config.txt" in overlay_remedy((tmp_path / "none",))
