"""The 40-pin header of the board.

Source: the GPIO page of the board maker's documentation (raspberrypi/documentation,
gpio-on-raspberry-pi.adoc); the numbers are the same on every board with 40 pins.
"""

from __future__ import annotations

POWER_5V = (2, 4)
POWER_3V3 = (1, 17)
GROUND = (6, 9, 14, 20, 25, 30, 34, 39)
GPIO = {
    3: 2, 5: 3, 7: 4, 8: 14, 10: 15, 11: 17, 12: 18, 13: 27, 15: 22, 16: 23, 18: 24, 19: 10,
    21: 9, 22: 25, 23: 11, 24: 8, 26: 7, 27: 0, 28: 1, 29: 5, 31: 6, 32: 12, 33: 13, 35: 19,
    36: 16, 37: 26, 38: 20, 40: 21,
}  # fmt: skip
"""Position on the header to BCM number."""

SPOKEN_FOR = {
    0: "the board reads add-on boards there",
    1: "the board reads add-on boards there",
    2: "it has a fixed pull-up of its own",
    3: "it has a fixed pull-up of its own",
    14: "the serial console talks there where it is on",
    15: "the serial console listens there where it is on",
}
"""BCM numbers that another one should be preferred to, and why (the same documentation; the last
two from memory)."""


def position(gpio: int) -> int:
    """Return where on the header a BCM number, 0 to 27, is."""
    return next(place for place, number in GPIO.items() if number == gpio)


def nearest_ground(place: int) -> int:
    """Return the ground pin with the shortest way to a position, counted in rows, then across."""
    return min(GROUND, key=lambda g: (abs((g + 1) // 2 - (place + 1) // 2), (g - place) % 2, g))


def name(place: int) -> str:
    """Return what a position is: `5 V`, `3.3 V`, `ground` or `GPIO17`."""
    if place in POWER_5V:
        return "5 V"
    if place in POWER_3V3:
        return "3.3 V"
    return "ground" if place in GROUND else f"GPIO{GPIO[place]}"
