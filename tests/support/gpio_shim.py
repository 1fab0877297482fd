"""GPIO chips for a machine without any: builds gpio_shim.c with gpio_wires.c and speaks with it.

The program under test is started with `Shim.environment`; once it has opened a chip, `Shim.tell` sends
what happens on the wires.
"""

from __future__ import annotations

import os
import socket
import subprocess
import time
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent
SOURCES = (HERE / "gpio_shim.c", HERE / "gpio_wires.c")
# Chips as boards show them (gpiodetect in pull request 6144 of github.com/raspberrypi/linux and issue 280
# of github.com/WiringPi/WiringPi; numbers from 11 on in issue 1119 of github.com/adafruit/Adafruit_Blinka,
# where which of them is the header's is not said, and invented here). The third board's other chips and
# the revision codes are from memory.
_OTHERS_OF_FIVE = ("107d508500:32", "107d508520:4", "107d517c00:17", "107d517c20:6")


def _five(header: int, *others: int) -> tuple[str, str]:
    rest = [f"{n}:gpio-brcmstb@{chip}" for n, chip in zip(others, _OTHERS_OF_FIVE, strict=True)]
    return ",".join([*rest, f"{header}:pinctrl-rp1:54"]), "c04170"


PI_3 = ("0:pinctrl-bcm2835:54,1:brcmvirt-gpio:2,2:raspberrypi-exp-gpio:8", "a02082")
PI_4 = ("0:pinctrl-bcm2711:58,1:raspberrypi-exp-gpio:8", "c03111")
PI_5_FIRST_KERNELS = _five(4, 0, 1, 2, 3)
PI_5 = _five(0, 10, 11, 12, 13)
PI_5_NEWEST_KERNELS = _five(15, 11, 12, 13, 14)


class Stats(NamedTuple):
    """What a line has seen: pulses made, events of the edges asked for, the worst delay in making."""

    running: int
    sent: int
    queued: int
    dropped: int
    taken: int
    late_ns: int


class Shim:
    """Chips for one program.

    Args:
        folder: where the library and the socket go; its name must be short.
        board: chips and revision code, as one of the boards above.
        group: the group that may open the chips, as on the board; `None`: everybody.
    """

    def __init__(
        self, folder: Path, board: tuple[str, str] = PI_4, group: int | None = None
    ) -> None:
        library = folder / "gpio_shim.so"
        if not library.exists():
            subprocess.run(
                ["gcc", "-Wall", "-Wextra", "-Werror", "-O2", "-shared", "-fPIC", "-pthread",
                 "-o", str(library), *map(str, SOURCES), "-ldl"],
                check=True,
            )  # fmt: skip
        chips, revision = board
        self.chip = next(int(c.split(":")[0]) for c in chips.split(",") if "pinctrl" in c)
        self._door = folder / "door"
        self._door.unlink(missing_ok=True)
        self.environment = {
            "LD_PRELOAD": str(library),
            "GPIO_SHIM_CHIPS": chips,
            "GPIO_SHIM_REVISION": revision,
            "GPIO_SHIM_SOCKET": str(self._door),
            "PYTHONPATH": str(HERE.parents[1]),
            **({} if group is None else {"GPIO_SHIM_GROUP": str(group)}),
        }

    def whole_environment(self) -> dict[str, str]:
        """Return this machine's environment with the chips in it."""
        return {**os.environ, **self.environment}

    def tell(self, text: str, within_s: float = 20.0) -> str:
        """Send one command (see gpio_wires.c); return the answer."""
        until_s = time.monotonic() + within_s
        while True:
            with socket.socket(socket.AF_UNIX) as line:
                try:
                    line.connect(str(self._door))
                except OSError:
                    if time.monotonic() > until_s:
                        raise
                    time.sleep(0.02)
                    continue
                line.sendall(f"{text}\n".encode())
                answer = line.recv(200).decode().strip()
            assert not answer.startswith("cannot"), answer
            return answer

    def pulse(self, pin: int, rate_hz: float, count: int) -> None:
        """Let a rotor turn for so many pulses."""
        self.tell(f"pulse {self.chip} {pin} {rate_hz} {count}")

    def level(self, pin: int, level: int) -> None:
        """Set what a wire carries."""
        self.tell(f"level {self.chip} {pin} {level}")

    def stats(self, pin: int) -> Stats:
        """Return what a line has seen."""
        return Stats(*map(int, self.tell(f"stats {self.chip} {pin}").split()))
