"""Flow sensors on the pins of the board: gpiozero over lgpio, one falling edge, kernel stamps.

The factory is built explicitly, so that no other pin library is fallen back to in silence; a
stand-in factory is used only when a caller passes one by name.
"""

from __future__ import annotations

import contextlib
import os
import pwd
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from monitor.errors import SensorError
from monitor.records import FilterId, Health, Moment, Reading
from monitor.sensing.pulses import PulseCounter, PulseSpan

# Labels of the chip that carries the header's pins, one for each family of boards.
HEADER_CHIP_LABELS = ("pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1")
_MOST_CHIPS = 16
_DEVICES = Path("/dev")
# Bit 0 of a line's flags (lgpio's documentation of gpio_get_mode): somebody holds the line.
_LINE_USED = 1


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
    return sys.modules.get("lgpio")


def header_factory() -> Any:
    """Return lgpio's pin factory on the chip that carries the header.

    Raises:
        SensorError: the extra is not installed, or no such chip can be opened.
    """
    os.environ["GPIOZERO_PIN_FACTORY"] = "lgpio"
    lgpio = _lgpio()
    chip, handle = _header_chip(lgpio)
    lgpio.gpiochip_close(handle)
    return _factory(chip)


def _factory(chip: int) -> Any:
    try:
        from gpiozero.pins.lgpio import LGPIOFactory
    except ImportError as error:
        raise _not_installed() from error
    return LGPIOFactory(chip=chip)


def held_by_others(pins: Sequence[int]) -> dict[int, str]:
    """Return who holds which of these pins of the header, by BCM number; nothing is claimed.

    Raises:
        SensorError: as `header_factory`.
    """
    lgpio = _lgpio()
    _, handle = _header_chip(lgpio)
    held = {}
    try:
        for pin in pins:
            with contextlib.suppress(lgpio.error):  # no such pin: told where it is claimed
                _, _, flags, _, user = lgpio.gpio_get_line_info(handle, pin)
                if flags & _LINE_USED:
                    held[pin] = str(user) or "a program without a name"
    finally:
        lgpio.gpiochip_close(handle)
    return held


def _lgpio() -> Any:
    """Import lgpio from a folder of its own: it makes a pipe in the current one, writable or not."""
    if (loaded := _lgpio_if_loaded()) is not None:
        return loaded
    try:
        with _elsewhere():
            import lgpio
    except ImportError as error:
        raise _not_installed() from error
    except OSError as error:
        raise SensorError(
            f"lgpio cannot make its pipe: {error}; look at the free space and the rights of "
            f"{tempfile.gettempdir()}"
        ) from error
    return lgpio


@contextlib.contextmanager
def _elsewhere() -> Iterator[None]:
    """Stand in a folder that can be written, and come back where that is possible."""
    try:
        back = os.getcwd()
    except OSError:
        back = "/"
    with tempfile.TemporaryDirectory(prefix="canister-") as folder:
        os.chdir(folder)
        try:
            yield
        finally:
            try:
                os.chdir(back)
            except OSError:  # sudo came from a folder that this user may not enter
                os.chdir("/")


def _not_installed() -> SensorError:
    return SensorError(
        "the pin libraries are not installed; run deploy/install again, or in a checkout "
        ".venv/bin/pip install -c deploy/constraints.txt -e '.[pins]'"
    )


def _header_chip(lgpio: Any) -> tuple[int, int]:
    """Return number and open handle of the chip that carries the header's pins."""
    denied = False
    for chip in range(_MOST_CHIPS):
        device = _DEVICES / f"gpiochip{chip}"
        if not device.exists():
            continue
        try:
            handle = int(lgpio.gpiochip_open(chip))
        except lgpio.error:
            denied = denied or not os.access(device, os.R_OK | os.W_OK)
            continue
        if str(lgpio.gpio_get_chip_info(handle)[3]) in HEADER_CHIP_LABELS:
            return chip, handle
        lgpio.gpiochip_close(handle)
    if denied:
        raise SensorError(
            "GPIO chip: no permission; put the user that runs canister into the group gpio: "
            f"sudo usermod -aG gpio {_user()}, and log in or start the service again"
        )
    raise SensorError(
        "GPIO chip: none with the label of a Raspberry Pi header was found; run this on the board, "
        'or set site.source = "rig" to try things out'
    )


def _user() -> str:
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())
