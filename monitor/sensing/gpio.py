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
from monitor.sensing.alerts import Reports
from monitor.sensing.pulses import PulseCounter, PulseSpan

# Labels of the chip that carries the header's pins, one for each family of boards.
HEADER_CHIP_LABELS = ("pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1")
# Numbers tell nothing: the header of one board was 4, then 0, then beyond 10, kernel by kernel.
_MOST_CHIPS = 256
_DEVICES = Path("/dev")
# Bit 0 of a line's flags (lgpio's documentation of gpio_get_mode): somebody holds the line.
_LINE_USED = 1
_LOOK_EVERY_S = 0.9  # at each look of the daemon, and not twice in it
_NEVER_S = float("-inf")


class Header:
    """The pins of the header, shared by all who use them: opened by the first, closed by the last.

    Args:
        factory: a gpiozero pin factory; `None` builds lgpio's own.
    """

    def __init__(self, factory: Any | None = None) -> None:
        self._factory = factory
        self._own = factory is None
        self._users = 0

    def take(self, number: int) -> Any:
        """Return one pin as an input with its pull-up on.

        Raises:
            SensorError: no GPIO chip, or no permission.
        """
        if self._factory is None:
            self._factory = header_factory()
        pin = self._factory.pin(number)
        pin.function = "input"
        pin.pull = "up"
        return pin

    def enter(self) -> None:
        """Note one more user."""
        self._users += 1

    def leave(self) -> None:
        """Note that a user is done; the last one closes what was opened here."""
        self._users -= 1
        if self._users == 0:
            self.drop()

    def drop(self) -> None:
        """Close what was opened here, whoever uses it.

        Of a chip that is gone lgpio's thread reads on without a pause and writes a line on stderr each
        time; only closing the chip ends that, and gpiozero's own closing fails before it comes to it.
        """
        if not self._own or self._factory is None:
            return
        factory, self._factory = self._factory, None
        try:
            factory.close()
        except Exception:  # what a chip that is gone makes of it is of many kinds
            lgpio, handle = _lgpio_if_loaded(), getattr(factory, "_handle", None)
            if lgpio is not None and handle is not None:
                with contextlib.suppress(lgpio.error):
                    lgpio.gpiochip_close(handle)
            factory._handle = None
            factory.pins.clear()


class PulsePins:
    """The flow sensors of all filters.

    Args:
        pins: for each filter its BCM pin number and the highest pulse rate in Hz.
        factory: a gpiozero pin factory; `None` builds lgpio's own on `start`.
        header: the header where others use pins of it too, in place of a factory.
    """

    def __init__(
        self,
        pins: Mapping[FilterId, tuple[int, float]],
        factory: Any | None = None,
        header: Header | None = None,
    ) -> None:
        self._wanted = dict(pins)
        self._header = header if header is not None else Header(factory)
        self._open = False
        self._spans: list[PulseSpan] = []
        self._pins: list[Any] = []  # gpiozero holds callbacks weakly: this keeps them alive
        self._reports = Reports()
        self._trouble = ""
        self._gone = False
        self._looked_s = _NEVER_S

    def start(self) -> None:
        """Claim the pins.

        Raises:
            SensorError: no GPIO chip, no permission, or a pin that is in use.
        """
        self._header.enter()
        self._open, self._gone, self._looked_s = True, False, _NEVER_S
        self._trouble, self._reports = "", Reports()
        for filter_id, (number, max_rate_hz) in self._wanted.items():
            counter = PulseCounter(max_rate_hz)
            try:
                pin = self._header.take(number)
                pin.edges = "falling"
                pin.when_changed = counter.edge
            except SensorError:
                self.close()
                raise
            except Exception as error:  # gpiozero and lgpio raise many unrelated kinds
                self.close()
                raise pin_refused(number, f"of filter {filter_id}", error) from error
            self._pins.append(pin)
            self._spans.append(PulseSpan(filter_id, counter))

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """Return one pulse reading for each filter."""
        # What comes in a burst after a trouble is not of this second either.
        was = self._trouble
        alive = not (self._look(now) or was)
        found = (span.read(now, alive) for span in self._spans)
        return tuple(reading for reading in found if reading is not None)

    def health(self, now: Moment) -> Health:
        """Say whether edges can reach the counters."""
        if not self._open:
            return Health("flow sensors", False, "the pins are not open", "run canister check")
        if trouble := self._look(now):
            remedy = "boot the board again; dmesg says why" if self._gone else "restart canister"
            return Health("flow sensors", False, trouble, remedy)
        pins = ", ".join(f"{f} on GPIO{n}" for f, (n, _) in self._wanted.items())
        lost = sum(span.counter.lost for span in self._spans)
        some = f"; about {lost} pulses lost since the start, while the board was busy"
        return Health("flow sensors", True, f"watching {pins}{some if lost else ''}")

    def close(self) -> None:
        """Give the pins back."""
        for pin in self._pins:
            with contextlib.suppress(Exception):  # a chip that is gone refuses even this
                pin.when_changed = None
                pin.close()
        self._pins, self._spans = [], []
        if self._open:
            self._open = False
            self._header.leave()

    def _look(self, now: Moment) -> str:
        """Return what is wrong, empty when nothing is; the kernel is asked at most once a second."""
        if not self._open or self._gone:
            return self._trouble
        if now.line_s - self._looked_s >= _LOOK_EVERY_S:
            self._looked_s = now.line_s
            self._gone = not all(answers(pin) for pin in self._pins)
        if self._gone:
            self._header.drop()
            self._trouble = "the GPIO chip is gone"
        else:
            taken = sum(s.counter.count + s.counter.rejected for s in self._spans)
            self._trouble = self._reports.trouble(taken, now.line_s)
        return self._trouble


def answers(pin: Any) -> bool:
    """Return whether the kernel still answers for a pin that is open."""
    try:
        pin.state  # noqa: B018  # asks the kernel
    except Exception:  # lgpio's own, and what gpiozero makes of a closed handle
        return False
    return True


def pin_refused(number: int, whose: str, error: Exception) -> SensorError:
    """Return the error for a pin that could not be claimed."""
    return SensorError(
        f"GPIO pin {number} {whose}: {str(error).strip(chr(39))}; see which program holds it "
        "with gpioinfo, or choose another pin"
    )


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
