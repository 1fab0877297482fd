"""Flow sensors on the pins of the board: gpiozero over lgpio, one falling edge, kernel stamps.

The factory is built explicitly, so that no other pin library is fallen back to in silence; a
stand-in factory is used only when a caller passes one by name.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

from monitor.errors import SensorError
from monitor.records import FilterId, Health, Moment, Reading
from monitor.sensing.pulses import PulseCounter, PulseSpan

# Labels of the chip that carries the header's pins, one for each family of boards.
HEADER_CHIP_LABELS = ("pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1")
_MOST_CHIPS = 16


class PulsePins:
    """The flow sensors of all filters.

    Args:
        pins: for each filter its BCM pin number and the highest pulse rate in Hz.
        factory: a gpiozero pin factory; `None` builds lgpio's own on `start`.
    """

    def __init__(
        self, pins: Mapping[FilterId, tuple[int, float]], factory: Any | None = None
    ) -> None:
        self._wanted = dict(pins)
        self._factory = factory
        self._own_factory = factory is None
        self._spans: list[PulseSpan] = []
        self._pins: list[Any] = []  # gpiozero holds callbacks weakly: this keeps them alive

    def start(self) -> None:
        """Claim the pins.

        Raises:
            SensorError: no GPIO chip, no permission, or a pin that is in use.
        """
        if self._factory is None:
            self._factory = header_factory()
        for filter_id, (number, max_rate_hz) in self._wanted.items():
            counter = PulseCounter(max_rate_hz)
            try:
                pin = self._factory.pin(number)
                pin.function = "input"
                pin.pull = "up"
                pin.edges = "falling"
                pin.when_changed = counter.edge
            except Exception as error:  # gpiozero and lgpio raise many unrelated kinds
                self.close()
                raise SensorError(
                    f"GPIO pin {number} of filter {filter_id}: {error}; see which program holds it "
                    "with gpioinfo, or choose another pin"
                ) from error
            self._pins.append(pin)
            self._spans.append(PulseSpan(filter_id, counter))

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """Return one pulse reading for each filter."""
        alive = self._alive()
        found = (span.read(now, alive) for span in self._spans)
        return tuple(reading for reading in found if reading is not None)

    def health(self, now: Moment) -> Health:
        """Say whether edges can reach the counters."""
        if not self._pins:
            return Health("flow sensors", False, "the pins are not open", "run canister check")
        if not self._alive():
            return Health(
                "flow sensors", False, "the thread that reports edges has died", "restart canister"
            )
        pins = ", ".join(f"{f} on GPIO{n}" for f, (n, _) in self._wanted.items())
        return Health("flow sensors", True, f"watching {pins}")

    def close(self) -> None:
        """Give the pins back."""
        for pin in self._pins:
            pin.when_changed = None
            pin.close()
        self._pins, self._spans = [], []
        if self._own_factory and self._factory is not None:
            self._factory.close()
            self._factory = None

    def _alive(self) -> bool:
        thread = getattr(_lgpio_if_loaded(), "_notify_thread", None)
        return thread is None or bool(thread.is_alive())


def _lgpio_if_loaded() -> Any | None:
    import sys

    return sys.modules.get("lgpio")


def header_factory() -> Any:
    """Return lgpio's pin factory on the chip that carries the header.

    Raises:
        SensorError: the extra is not installed, or no such chip can be opened.
    """
    os.environ["GPIOZERO_PIN_FACTORY"] = "lgpio"
    try:
        import lgpio
        from gpiozero.pins.lgpio import LGPIOFactory
    except ImportError as error:
        raise SensorError(
            "the pin libraries are not installed; in the checkout run .venv/bin/pip install -c deploy/constraints.txt -e '.[pins]'"
        ) from error
    denied = False
    for chip in range(_MOST_CHIPS):
        if not os.path.exists(f"/dev/gpiochip{chip}"):
            continue
        try:
            handle = lgpio.gpiochip_open(chip)
        except lgpio.error:
            denied = denied or not os.access(f"/dev/gpiochip{chip}", os.R_OK | os.W_OK)
            continue
        label = str(lgpio.gpio_get_chip_info(handle)[3])
        lgpio.gpiochip_close(handle)
        if label in HEADER_CHIP_LABELS:
            return LGPIOFactory(chip=chip)
    if denied:
        raise SensorError(
            "GPIO chip: no permission; add this user to the group gpio and log in again"
        )
    raise SensorError(
        "GPIO chip: none with the label of a Raspberry Pi header was found; run this on the board, "
        'or set site.source = "rig" to try things out'
    )
