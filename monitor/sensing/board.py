"""What the board says of itself: its supply, and whether the boot loader was told of the 1-Wire bus.

All of it is read from files of the kernel and the boot loader; nothing is needed but read access.
Source: the kernel's Documentation/hwmon/raspberrypi-hwmon.rst (in0_lcrit_alarm is the
under-voltage alarm) and drivers/hwmon/raspberrypi-hwmon.c (it names itself rpi_volt, and looks
every two seconds at what the firmware saw since).
"""

from __future__ import annotations

import re
from pathlib import Path

from monitor.records import Health, Moment, Reading

_MONITORS = Path("/sys/class/hwmon")
_MONITOR_NAME = "rpi_volt"
_LOOK_EVERY_S = 2.0  # as the driver does; between two looks of its own it forgets
_HELD_S = 60.0
# Where the boot loader reads; since bookworm the second is only a note that points to the first.
_BOOT_FILES = (Path("/boot/firmware/config.txt"), Path("/boot/config.txt"))
_OVERLAY = "w1-gpio"
_OVERLAY_PIN = re.compile(rf"dtoverlay={_OVERLAY}(?:-pullup)?(?:,(?:.*,)?gpiopin=(\d+))?")
ONE_WIRE_PIN = 4
"""The overlay's pin where none is named (the firmware's overlays/README, w1-gpio)."""

SUPPLY = "supply"
"""The name of this part."""

UNDER_VOLTAGE = "the board reports under-voltage: it may miss pulses, hang or damage its card"
SUPPLY_REMEDY = "use the board's own supply and cable, and take other loads off its USB sockets"


def under_voltage(monitors: Path = _MONITORS) -> bool | None:
    """Return whether the supply is too low now; `None` where the board does not tell.

    Args:
        monitors: the kernel's folder of hardware monitors; another one in tests.
    """
    for monitor in sorted(monitors.glob("hwmon*")):
        try:
            if (monitor / "name").read_text(encoding="ascii").strip() == _MONITOR_NAME:
                return (monitor / "in0_lcrit_alarm").read_text(encoding="ascii").strip() == "1"
        except (OSError, UnicodeDecodeError):
            continue
    return None


def overlay_remedy(files: tuple[Path, ...] = _BOOT_FILES) -> str:
    """Return what to do about a 1-Wire bus that is not there.

    Args:
        files: where the boot loader may read; the first that exists counts.
    """
    for file in files:
        try:
            lines = file.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            continue
        if any(line.strip().startswith(f"dtoverlay={_OVERLAY}") for line in lines):
            return f"dtoverlay={_OVERLAY} stands in {file}: boot again; if that was done, see dmesg"
        return f"add dtoverlay={_OVERLAY} to {file} (deploy/install does) and boot again"
    return f"add dtoverlay={_OVERLAY} to {_BOOT_FILES[0]} and boot again"


def one_wire_pin(files: tuple[Path, ...] = _BOOT_FILES) -> int | None:
    """Return the BCM number of the pin that the boot loader gives to the 1-Wire bus, `None` for none.

    Args:
        files: where the boot loader may read; the first that exists counts.
    """
    for file in files:
        try:
            lines = file.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            continue
        found = [m for line in lines if (m := _OVERLAY_PIN.match(line.strip()))]
        return int(found[-1][1] or ONE_WIRE_PIN) if found else None
    return None


class Board:
    """The board as a source: it gives no readings, only its health.

    A dip of the supply is over in a moment, so it is held for a minute.
    """

    def __init__(self, monitors: Path = _MONITORS) -> None:
        self._monitors = monitors
        self._looked_at_s = float("-inf")
        self._low_at_s = float("-inf")
        self._told: bool | None = None

    def start(self) -> None:
        """Nothing is opened."""

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """Return nothing: a supply is no water."""
        return ()

    def health(self, now: Moment) -> Health:
        """Say whether the supply was high enough during the last minute."""
        if now.line_s - self._looked_at_s >= _LOOK_EVERY_S:
            self._looked_at_s, self._told = now.line_s, under_voltage(self._monitors)
            if self._told:
                self._low_at_s = now.line_s
        if now.line_s - self._low_at_s < _HELD_S:
            return Health(SUPPLY, False, UNDER_VOLTAGE, SUPPLY_REMEDY)
        words = "not measured on this machine" if self._told is None else "high enough"
        return Health(SUPPLY, True, words)

    def close(self) -> None:
        """Nothing is open."""
