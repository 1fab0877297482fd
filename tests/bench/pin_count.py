"""Pulses counted by the daemon through the real lgpio, both cores loaded, against those that were made.

The chips are those of tests/support/gpio_shim.c; nothing is measured of a board's own interrupts.
`tests/bench/run pin_count` takes a minute and has all rates on pins of their own at once;
`.venv/bin/python -m tests.bench.pin_count 200 600` counts one rate for so many seconds.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from tests.bench.figure import Figure
from tests.support.gpio_shim import Shim
from tests.support.pin_daemon import Load, PinDaemon

RATES_HZ = (5, 20, 75, 150, 200, 300)
FIRST_PIN = 12
TARGET = 0.001


def counted(rates_hz: tuple[int, ...], lasting_s: float) -> list[Figure]:
    """Count all rates at once for so long."""
    pins = {f"hz{rate}": FIRST_PIN + index for index, rate in enumerate(rates_hz)}
    with tempfile.TemporaryDirectory(prefix="pins-") as name:
        shim = Shim(Path(name))
        child = PinDaemon(Path(name), shim, pins)
        try:
            with Load():
                for rate in rates_hz:
                    shim.pulse(pins[f"hz{rate}"], rate, round(rate * lasting_s))
                while any(shim.stats(pin).running for pin in pins.values()):
                    time.sleep(0.5)
                time.sleep(2.5)  # two looks of the daemon
            return [figure(rate, pins[f"hz{rate}"], child, shim) for rate in rates_hz]
        finally:
            child.stop()


def figure(rate: int, pin: int, child: PinDaemon, shim: Shim) -> Figure:
    """Return one rate's row."""
    stats, found = shim.stats(pin), child.counted(f"hz{rate}")
    told = {r["quality"] for r in child.readings() if r["filter"] == f"hz{rate}"}
    off = found / stats.sent - 1
    return Figure(
        f"pulses at {rate} Hz, every core busy",
        f"{found:,} ({', '.join(sorted(told))})",
        f"{stats.sent:,} made, {stats.dropped} dropped, at worst {stats.late_ns / 1e6:.1f} ms late",
        f"{off:+.4%}",
        f"±{TARGET:.1%}, or told",
        abs(off) <= TARGET or told != {"good"},
    )


def measure() -> list[Figure]:
    """Count each rate for a minute."""
    return counted(RATES_HZ, 60.0)


if __name__ == "__main__":
    for row in counted((int(sys.argv[1]),), float(sys.argv[2])):
        print(" | ".join(map(str, row)))
