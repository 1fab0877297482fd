"""The real lgpio and gpiozero on chips that tests/support/gpio_shim.c answers for in the kernel's place.

Sources: linux/gpio.h (uAPI v2) and drivers/gpio/gpiolib-cdev.c for what the kernel does; lgpio 0.2.2 for
what is left of it.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.conftest import Command, until
from tests.support.gpio_shim import (
    PI_3,
    PI_4,
    PI_5,
    PI_5_FIRST_KERNELS,
    PI_5_NEWEST_KERNELS,
    Shim,
)
from tests.support.pin_daemon import Load, PinDaemon

pytestmark = [
    pytest.mark.skipif(importlib.util.find_spec("lgpio") is None, reason="needs lgpio"),
    pytest.mark.skipif(sys.maxsize < 2**32, reason="the shim is for 64 bits"),
]

SEEN_WITHIN_S = 5.0
RATES_HZ = {5: 4, 20: 5, 75: 6, 150: 12, 200: 13, 300: 16}  # by rate, the pin it comes on


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder with a short name: a socket's is at most 107 characters long (unix(7))."""
    made = Path(tempfile.mkdtemp(prefix="pins-"))
    yield made
    shutil.rmtree(made)


@pytest.fixture
def daemon(folder: Path) -> Iterator[Callable[..., PinDaemon]]:
    started: list[PinDaemon] = []

    def build(shim: Shim, pins: dict[str, int], sabotage: str = "none") -> PinDaemon:
        started.append(PinDaemon(folder, shim, pins, sabotage))
        return started[-1]

    yield build
    for child in started:
        child.stop()


def python(shim: Shim, script: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", script], env=shim.whole_environment(),
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip


RAW = """
import fcntl, os, socket, struct, sys, time
GET_LINE, REQUEST = 0xC250B407, 592  # _IOWR(0xB4, 0x07, struct gpio_v2_line_request)
INPUT, FALLING, RISING = 4, 32, 16
chip = os.open("/dev/gpiochip0", os.O_RDWR)
def request(pin, flags):
    asked = bytearray(REQUEST)
    struct.pack_into("I", asked, 0, pin)
    struct.pack_into("Q", asked, 288, flags)  # 64 offsets, 32 bytes of consumer
    struct.pack_into("I", asked, 560, 1)
    fcntl.ioctl(chip, GET_LINE, asked)
    return struct.unpack_from("i", asked, 588)[0]
def tell(text):
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(os.environ["GPIO_SHIM_SOCKET"])
        line.sendall(text.encode() + b"\\n")
        return line.recv(200).decode().split()
"""


class TestTheShimIsHonest:
    """Held to the kernel's published interface by a program that is neither lgpio nor ours."""

    def test_sixteen_events_are_kept_the_oldest_dropped_and_the_numbers_show_it(
        self, folder: Path
    ) -> None:
        script = RAW + (
            "line = request(17, INPUT | FALLING)\n"
            "before = time.monotonic_ns()\n"
            "tell('pulse 0 17 1000 40')\n"
            "while tell('stats 0 17')[0] == '1': time.sleep(0.01)\n"
            "got = os.read(line, 128 * 48)\n"
            "events = [struct.unpack_from('QIIII', got, n) for n in range(0, len(got), 48)]\n"
            "print(len(events), {e[1] for e in events}, {e[2] for e in events})\n"
            "print([e[4] for e in events] == list(range(25, 41)))\n"
            "print({round((b[0] - a[0]) / 1e6, 3) for a, b in zip(events, events[1:])})\n"
            "print(before < events[0][0] < events[-1][0] < time.monotonic_ns())\n"
            "print(tell('stats 0 17')[1:5])\n"
        )
        done = python(Shim(folder), script)
        assert done.stdout.splitlines() == [
            "16 {2} {17}",  # GPIO_V2_LINE_EVENT_FALLING_EDGE is 2
            "True",
            "{1.0}",
            "True",
            "['40', '40', '24', '16']",
        ], done.stderr

    @pytest.mark.parametrize(
        ("act", "error"),
        [
            ("request(17, INPUT); request(17, INPUT)", "EBUSY"),
            ("request(58, INPUT)", "EINVAL"),
            ("request(17, FALLING)", "EINVAL"),
            ("request(17, INPUT | 8)", "EINVAL"),  # 8: output
            ("tell('vanish 0'); request(17, INPUT)", "ENODEV"),
            ("l = request(17, INPUT | FALLING); tell('vanish 0'); os.read(l, 48)", "ENODEV"),
            ("tell('vanish 0'); os.open('/dev/gpiochip0', os.O_RDWR)", "ENOENT"),
        ],
    )
    def test_refusals_are_the_kernels(self, folder: Path, act: str, error: str) -> None:
        script = f"import errno\n{RAW}\ntry:\n    {act}\nexcept OSError as e:\n    print(errno.errorcode[e.errno])\n"
        done = python(Shim(folder), script)
        assert done.stdout.strip() == error, done.stderr

    def test_a_line_given_back_can_be_had_again_and_a_vanished_one_hangs_up(
        self, folder: Path
    ) -> None:
        script = RAW + (
            "import select\n"
            "os.close(request(17, INPUT))\n"
            "line = request(17, INPUT | FALLING)\n"
            "poll = select.poll(); poll.register(line, select.POLLIN)\n"
            "print(poll.poll(0))\n"
            "tell('level 0 17 0'); print(poll.poll(0)[0][1] & select.POLLIN)\n"
            "os.read(line, 48); print(poll.poll(0))\n"
            "tell('vanish 0'); print(bool(poll.poll(0)[0][1] & select.POLLHUP))\n"
        )
        done = python(Shim(folder), script)
        assert done.stdout.splitlines() == ["[]", "1", "[]", "True"], done.stderr


BOARDS = {
    "three": (PI_3, 0),
    "four": (PI_4, 0),
    "five, first kernels": (PI_5_FIRST_KERNELS, 4),
    "five": (PI_5, 0),
    "five, newest kernels": (PI_5_NEWEST_KERNELS, 15),
}


@pytest.mark.parametrize("name", BOARDS)
def test_the_chip_of_the_header_is_found_on_every_layout_and_its_edges_arrive(
    folder: Path, name: str
) -> None:
    board, chip = BOARDS[name]
    script = RAW.replace("/dev/gpiochip0", f"/dev/gpiochip{chip}") + (
        "from monitor.records import Moment\n"
        "from monitor.sensing.gpio import PulsePins\n"
        "pins = PulsePins({'left': (17, 225.0)})\n"
        "pins.start(); pins.read(Moment(0.0, 0.0))\n"
        "print(pins._header._factory.chip, type(pins._header._factory).__name__)\n"
        f"tell('pulse {chip} 17 100 7'); time.sleep(0.3)\n"
        "print(pins.read(Moment(1.0, 1.0))[0].pulses)\n"
    )
    done = python(Shim(folder, board), script)
    assert done.stdout.splitlines() == [f"{chip} LGPIOFactory", "7"], done.stderr


@pytest.mark.parametrize(("group", "said"), [(4242, "True"), (4243, "no permission; put the user")])
def test_the_group_is_enough_and_root_is_not_needed(folder: Path, group: int, said: str) -> None:
    script = (
        "import os, sys\n"
        "from monitor.errors import SensorError\n"
        "from monitor.records import Moment\n"
        "from monitor.sensing import gpio\n"
        "gpio._lgpio()\n"
        "import gpiozero.pins.lgpio, gpiozero.pins.data, select\n"
        f"if os.geteuid() == 0: os.setgroups([{group}]); os.setgid(65534); os.setuid(65534)\n"
        "pins = gpio.PulsePins({'left': (17, 225.0)})\n"
        "try:\n    pins.start(); print(pins.health(Moment(1.0, 1.0)).working)\n"
        "except SensorError as error: print(error)\n"
    )
    if os.geteuid() != 0:
        pytest.skip("only root can become somebody else")
    shim = Shim(folder, group=4242)
    folder.chmod(0o777)
    done = python(shim, script)
    assert said in done.stdout, done.stderr


def test_pulses_are_counted_while_every_core_is_busy(
    folder: Path, daemon: Callable[..., PinDaemon]
) -> None:
    """All rates at once, each on a pin of its own, for some seconds; `tests/bench/run pin_count` is long."""
    shim = Shim(folder)
    pins = {f"hz{rate}": pin for rate, pin in RATES_HZ.items()}
    child = daemon(shim, pins)
    with Load():
        for rate, pin in RATES_HZ.items():
            shim.pulse(pin, rate, 8 * rate)
        child.wait(lambda: not any(shim.stats(pin).running for pin in pins.values()), 60.0)
        time.sleep(2.2)  # two looks of the daemon
    assert child.health()["working"], child.health()
    for rate, pin in RATES_HZ.items():
        stats, counted = shim.stats(pin), child.counted(f"hz{rate}")
        told = {r["quality"] for r in child.readings() if r["filter"] == f"hz{rate}"}
        assert stats.sent == 8 * rate
        if told <= {"good"}:
            assert counted == pytest.approx(stats.sent, rel=0.001), (rate, stats)
        else:
            assert stats.dropped, (rate, told)


@pytest.mark.parametrize(
    ("rate_hz", "quality"), [(300, "good"), (2000, "noisy")], ids=["in-range", "no-rotor"]
)
def test_edges_faster_than_any_rotor_are_noise(
    folder: Path, daemon: Callable[..., PinDaemon], rate_hz: int, quality: str
) -> None:
    """The sensor is sold for 375 Hz; most of these edges follow another within half its period."""
    shim = Shim(folder)
    child = daemon(shim, {"left": 17})
    shim.pulse(17, rate_hz, 4 * rate_hz)
    time.sleep(3.2)
    newest = child.readings()[-1]
    assert newest["quality"] == quality
    assert child.health()["working"]


class TestFaultsAreSeen:
    def seen(self, child: PinDaemon, words: str) -> float:
        """Return after how many s health says these words."""
        took_s = child.wait(
            lambda: not child.health()["working"] and words in child.health()["line"],
            SEEN_WITHIN_S,
        )
        assert child.health()["remedy"]
        return took_s

    def newest(self, child: PinDaemon) -> str:
        return str(child.readings()[-1]["quality"])

    def test_pulses_that_the_kernel_dropped(
        self, folder: Path, daemon: Callable[..., PinDaemon]
    ) -> None:
        shim = Shim(folder)
        child = daemon(shim, {"left": 17})
        shim.pulse(17, 200, 600)
        time.sleep(1.0)
        shim.tell("stall 400")
        child.wait(lambda: not shim.stats(17).running, 20.0)
        child.wait(lambda: "pulses lost" in child.health()["line"], SEEN_WITHIN_S)
        stats, line = shim.stats(17), child.health()["line"]
        assert stats.dropped > 50
        lost = int(line.split("about ")[1].split()[0])
        assert lost == pytest.approx(stats.dropped, abs=5)
        assert child.health()["working"]  # a busy board is no dead reader
        assert "missing" in {r["quality"] for r in child.readings()}

    def test_an_exception_in_the_thread_of_the_callbacks(
        self, folder: Path, daemon: Callable[..., PinDaemon]
    ) -> None:
        shim = Shim(folder)
        child = daemon(shim, {"left": 17}, "raise")
        assert child.health()["working"]
        shim.pulse(17, 75, 3)
        self.seen(child, "has died")
        child.wait(lambda: self.newest(child) == "disconnected", 3.0)

    def test_a_callback_that_hangs(self, folder: Path, daemon: Callable[..., PinDaemon]) -> None:
        shim = Shim(folder)
        child = daemon(shim, {"left": 17}, "hang")
        assert child.health()["working"]
        shim.pulse(17, 20, 200)
        self.seen(child, "hangs")
        child.wait(lambda: self.newest(child) == "disconnected", 3.0)

    def test_a_full_pipe(self, folder: Path, daemon: Callable[..., PinDaemon]) -> None:
        shim = Shim(folder)
        child = daemon(shim, {"left": 17}, "hang")
        # 4,096 reports of 16 bytes fill a pipe of 65,536 (pipe(7)); 512 more are in Python's buffer.
        shim.pulse(17, 5000, 8000)
        self.seen(child, "pipe is full")

    def test_a_chip_that_goes_away(self, folder: Path, daemon: Callable[..., PinDaemon]) -> None:
        shim = Shim(folder)
        child = daemon(shim, {"left": 17})
        shim.pulse(17, 75, 10_000)
        time.sleep(1.0)
        shim.tell(f"vanish {shim.chip}")
        self.seen(child, "chip is gone")
        child.wait(lambda: self.newest(child) == "disconnected", 3.0)
        # lgpio goes on to read and writes a line each time, until the chip is closed.
        time.sleep(0.5)
        written = child.error_bytes()
        time.sleep(1.5)
        assert child.error_bytes() - written < 2000


CONFIGURATION = """
[site]
id = "test_room"
[storage]
folder = "{folder}/state"
live_file = "{folder}/live.json"
[filters.left]
flow_sensor = {{ pin = 17, bore_mm = 16 }}
[leak]
pin = 22
"""


def configuration(folder: Path) -> str:
    file = folder / "canister.toml"
    file.write_text(CONFIGURATION.format(folder=folder), encoding="utf-8")
    return str(file)


def test_a_line_in_use_is_one_line_and_check_names_who_holds_it(
    folder: Path, canister: type[Command]
) -> None:
    file = configuration(folder)
    env = {**Shim(folder).environment, "GPIO_SHIM_BUSY": "0:17:some-fan"}
    began_s = time.monotonic()
    daemon = canister("run", "--config", file, env=env)
    assert daemon.wait() == 1
    assert time.monotonic() - began_s < SEEN_WITHIN_S + 5.0  # it starts in some seconds
    said = "GPIO pin 17 of filter left: GPIO busy; see which program"
    assert said in daemon.errors.replace("\n", " ")
    assert "Traceback" not in daemon.errors
    check = canister("check", "--config", file, env=env)
    assert check.wait() == 1
    assert "GPIO17" in check.output
    assert "some-fan" in check.output


def test_a_leak_contact_whose_line_is_in_use_leaves_the_filters_watched(
    folder: Path, canister: type[Command]
) -> None:
    file = configuration(folder)
    env = {**Shim(folder).environment, "GPIO_SHIM_BUSY": "0:22:some-fan"}
    check = canister("check", "--config", file, env=env)
    assert check.wait() == 1
    assert "GPIO22" in check.output
    assert "some-fan" in check.output
    daemon = canister("run", "--config", file, env=env)
    assert until(lambda: "watching left" in daemon.errors, 30), daemon.errors
    assert until(lambda: "site: reader-dead raised" in daemon.errors, 30), daemon.errors
    said = "leak contact: GPIO pin 22 of the leak contact: GPIO busy: no leak would be noticed; see which"
    assert until(lambda: said in daemon.errors, 30), daemon.errors
    assert daemon.stop() == 0
    assert "Traceback" not in daemon.errors


def test_water_on_the_floor_is_an_alarm_and_a_splash_is_not(
    folder: Path, canister: type[Command]
) -> None:
    shim = Shim(folder)
    daemon = canister("run", "--config", configuration(folder), env=shim.environment)
    assert until(lambda: "watching left" in daemon.errors, 30), daemon.errors
    time.sleep(3.0)
    shim.level(22, 0)
    time.sleep(0.5)  # shorter than leak.hold_s
    shim.level(22, 1)
    time.sleep(3.5)
    assert "leak raised" not in daemon.errors
    shim.level(22, 0)
    assert until(lambda: "site: leak raised" in daemon.errors, SEEN_WITHIN_S), daemon.errors
    assert "the leak contact is wet" in daemon.errors
    assert daemon.stop() == 0
