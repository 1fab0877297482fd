"""Stands in for lgpio on a machine without GPIO chips, by the few functions that we call.

What they return is taken from lgpio's own documentation (gpio_get_chip_info, gpio_get_line_info,
gpio_get_mode).
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

USED = 1


class ChipError(Exception):
    """What lgpio raises."""


class Chips(ModuleType):
    """A machine with some chips: label by number, `None` for one that may not be opened."""

    error = ChipError

    def __init__(self, labels: dict[int, str | None], users: dict[int, str]) -> None:
        super().__init__("lgpio")
        self.labels, self.users, self.open_now = labels, users, 0

    def gpiochip_open(self, chip: int) -> int:
        if self.labels[chip] is None:
            raise ChipError("can not open gpiochip")
        self.open_now += 1
        return 100 + chip

    def gpiochip_close(self, _handle: int) -> int:
        self.open_now -= 1
        return 0

    def gpio_get_chip_info(self, handle: int) -> list[Any]:
        chip = handle - 100
        return [0, 54, f"gpiochip{chip}", self.labels[chip]]

    def gpio_get_line_info(self, _handle: int, pin: int) -> list[Any]:
        if pin > 53:
            raise ChipError("bad GPIO number")
        user = self.users.get(pin)
        return [0, pin, 0 if user is None else USED | 2, f"GPIO{pin}", user or ""]
