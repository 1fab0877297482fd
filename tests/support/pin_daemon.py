"""The daemon on the real lgpio and the chips of gpio_shim.c, as a child; what its pins deliver is told.

`python -m tests.support.pin_daemon FOLDER SABOTAGE NAME:PIN...` is the child: the daemon's own loop, a
line of JSON for each reading and each change of health, stamped on CLOCK_MONOTONIC, which parent and
child share. SABOTAGE is `none`, or what befalls the thread of lgpio's callbacks at the next edge of the
first pin: `raise` or `hang`.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

from tests.support.gpio_shim import Shim

PULSES_PER_LITRE = 450
MAX_FLOW_L_PER_H = 3000  # 375 Hz: every rate of the tests is within the sensor's range


class PinDaemon:
    """The child, seen from its parent."""

    def __init__(
        self, folder: Path, shim: Shim, pins: dict[str, int], sabotage: str = "none"
    ) -> None:
        self._out, self._err = folder / "told", folder / "err"
        words = [f"{name}:{pin}" for name, pin in pins.items()]
        with self._out.open("wb") as out, self._err.open("wb") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.support.pin_daemon", str(folder), sabotage, *words],
                env=shim.whole_environment(), stdout=out, stderr=err,
            )  # fmt: skip
        self.wait(lambda: len(self.readings()) >= len(pins), 30.0)

    def lines(self) -> list[dict[str, Any]]:
        """Return everything that was told; the last line may be in the making."""
        whole = self._out.read_text(encoding="utf-8").split("\n")[:-1]
        return [json.loads(line) for line in whole]

    def readings(self) -> list[dict[str, Any]]:
        """Return all readings of pulses."""
        return [line for line in self.lines() if "pulses" in line]

    def counted(self, name: str) -> int:
        """Return how many pulses were delivered for one filter."""
        return sum(r["pulses"] for r in self.readings() if r["filter"] == name)

    def health(self) -> dict[str, Any]:
        """Return the newest health of the flow sensors."""
        return [line for line in self.lines() if "working" in line][-1]

    def wait(self, condition: Any, within_s: float) -> float:
        """Wait for a condition; return how long that took in s."""
        began_s = time.monotonic()
        while not condition():
            assert self.process.poll() is None, self.errors()
            assert time.monotonic() - began_s < within_s, (self.lines()[-5:], self.errors())
            time.sleep(0.05)
        return time.monotonic() - began_s

    def errors(self) -> str:
        """Return the beginning of what was written to stderr."""
        return self._err.read_bytes()[:5000].decode(errors="replace")

    def error_bytes(self) -> int:
        """Return how much was written to stderr."""
        return self._err.stat().st_size

    def stop(self) -> None:
        """End the child."""
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


class Load:
    """Every core kept busy by a process of its own."""

    def __enter__(self) -> None:
        self._busy = [
            subprocess.Popen([sys.executable, "-c", "while True: pass"])
            for _ in range(os.cpu_count() or 1)
        ]

    def __exit__(self, *_: object) -> None:
        for process in self._busy:
            process.kill()
            process.wait()


def _tell(**what: Any) -> None:
    print(json.dumps({"at_s": time.monotonic(), **what}), flush=True)


def _sabotage(how: str, pin: Any) -> Any:
    import lgpio

    def careless(*_: object) -> None:
        if how == "hang":
            time.sleep(1e6)
        raise ValueError("a careless callback")

    if how == "none":
        return None
    return lgpio.callback(pin.factory._handle, pin._number, lgpio.FALLING_EDGE, careless)


def main(folder: str, how: str, *words: str) -> None:
    """Run the daemon until it is told to stop."""
    from monitor.app.daemon import Daemon
    from monitor.records import Health, Moment, PulseReading, Reading
    from monitor.sensing.gpio import PulsePins
    from monitor.settings.model import SettingsTree

    class Told(PulsePins):
        """The flow sensors, with everything that they deliver told."""

        last = ""

        def start(self) -> None:
            super().start()
            self.careless = _sabotage(how, self._pins[0])

        def read(self, now: Moment) -> tuple[Reading, ...]:
            found = super().read(now)
            for reading in found:
                assert isinstance(reading, PulseReading)
                _tell(filter=reading.filter_id, pulses=reading.pulses, quality=reading.quality)
            return found

        def health(self, now: Moment) -> Health:
            health = super().health(now)
            if health.line != self.last:
                self.last = health.line
                _tell(working=health.working, line=health.line, remedy=health.remedy)
            return health

    pins = {name: int(pin) for name, pin in (word.split(":") for word in words)}
    sensor = f"bore_mm = 16, pulses_per_litre = {PULSES_PER_LITRE}, max_flow_l_per_h = {MAX_FLOW_L_PER_H}"
    filters = "\n".join(
        f"[filters.{n}]\nflow_sensor = {{ pin = {p}, {sensor} }}" for n, p in pins.items()
    )
    tree = SettingsTree.model_validate(
        tomllib.loads(
            f'site = {{ id = "invented" }}\n'
            f'storage = {{ folder = "{folder}/state", live_file = "" }}\n{filters}'
        )
    )
    max_rate_hz = MAX_FLOW_L_PER_H * PULSES_PER_LITRE / 3600
    source = Told({name: (pin, max_rate_hz) for name, pin in pins.items()})
    Daemon(tree, dict.fromkeys(pins), [source]).run()


if __name__ == "__main__":
    main(*sys.argv[1:])
