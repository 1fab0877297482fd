"""Edges a second through our counter against a bare callback that only adds one.

Both hang on the same pin class and are called the way the real pin library's thread calls them.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from gpiozero.pins.mock import MockFactory
from gpiozero.pins.pi import PiPin

from monitor.sensing.pulses import PulseCounter
from tests.bench.figure import Figure

EDGES = 300_000
TARGET = 0.7


class Bare:
    """The least that a callback can do."""

    def __init__(self) -> None:
        self.count = 0

    def edge(self, _stamp_s: float, _state: int) -> None:
        self.count += 1


def rate(callback: Callable[[float, int], None]) -> float:
    """Return edges a second through a pin that reports falling edges 5 ms apart."""
    factory = MockFactory()
    pin = factory.pin(17)
    pin.function = "input"
    pin.edges = "falling"
    pin.when_changed = callback
    # The dispatch of the real pins' common parent; the mock's own adds the time by itself.
    fire = partial(PiPin._call_when_changed, pin)
    began = time.perf_counter()
    for n in range(EDGES):
        fire(n * 0.005, 0)
    took = time.perf_counter() - began
    pin.when_changed = None
    factory.close()
    return EDGES / took


def measure() -> list[Figure]:
    """Run both in turn five times and compare the medians."""
    ours, bare = [], []
    for _ in range(5):
        plain = Bare()
        bare.append(rate(plain.edge))
        counter = PulseCounter(225.0)
        ours.append(rate(counter.edge))
        assert plain.count == counter.count == EDGES
    ratio = sorted(ours)[2] / sorted(bare)[2]
    return [
        Figure(
            "pulse path",
            f"{sorted(ours)[2]:,.0f} edges/s",
            f"{sorted(bare)[2]:,.0f} edges/s (bare callback)",
            f"{ratio:.2f}",
            f"{TARGET}",
            ratio >= TARGET,
        )
    ]
