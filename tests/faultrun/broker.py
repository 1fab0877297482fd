"""The broker goes away, comes back empty, falls silent, refuses, is slow; measuring takes no notice.

Every fault has a site, a broker and a subscriber of its own, and all of them run side by side.
"""

from __future__ import annotations

import gc
import shutil
import subprocess
import tempfile
import threading
import time
from contextlib import ExitStack
from pathlib import Path

from monitor.delivery.mqtt import BrokerAddress
from monitor.delivery.mqtt_sink import MqttSink
from monitor.delivery.payloads import Run
from monitor.delivery.topics import Topics
from monitor.errors import BrokerError
from monitor.records import Order
from tests.conftest import Mosquitto, free_port, until
from tests.faultrun.control import Control
from tests.faultrun.row import Row
from tests.faultrun.site import TOPICS, Site, all_heard, heard, paced, resident_mb
from tests.support.proxy import Line, Proxy
from tests.support.stepped import DAY_S
from tests.support.subscriber import Subscriber

FOR_S = 60.0
_BEFORE_S, _AFTER_S = 8.0, 5.0
_STALL_EVERY_S = 6
_ASK_EVERY_S = 3
_CAUGHT_UP_WITHIN_S = 90.0
_MOST_GROWTH_MB = 3.0
_SLOW_BYTES_PER_S = 1000.0  # less than the site has to say
_FIRST_TRIES, _MOST_AWAY_MB = 5000, 1.0  # the first ones fill what the allocator keeps
_LONGEST_WAIT_S = 20.0  # between two tries, as monitor.runtime.backoff caps it
_USER, _EAR = "room", "ear"


class Case:
    """One site with a broker, and what is done to it; a subclass says what."""

    name = ""
    mqtt = ""
    listener_extra = ""

    def __init__(self, folder: Path, for_s: float) -> None:
        self.for_s = for_s
        self.stack = ExitStack()
        self.folder = folder
        (folder / "broker").mkdir(parents=True)
        self.broker = self.built()
        self.broker.start()
        self.stack.callback(lambda: self.broker.kill())
        self.subscriber = self.listen(folder)
        self.stack.callback(self.subscriber.stop)
        self.control = Control(folder)
        span_s = int(_BEFORE_S + for_s + _AFTER_S)
        faults = [f"stall@{t}s+2s" for t in range(2, span_s, _STALL_EVERY_S)]
        self.site = Site(folder, self.entrance(), faults, self.mqtt)
        self.stack.callback(self.site.kill)
        self.memory_mb: list[float] = []
        self.began_line_s = 0.0

    def built(self) -> Mosquitto:
        return Mosquitto(self.folder / "broker")

    def entrance(self) -> int:
        """The port that the daemon is told of."""
        return self.broker.port

    def listen(self, folder: Path) -> Subscriber:
        return Subscriber(folder, self.broker.port, f"{TOPICS}/#")

    def begin(self) -> None:
        raise NotImplementedError

    def end(self) -> None:
        raise NotImplementedError

    def more(self) -> tuple[str, bool]:
        """What else was seen, and whether it is as expected."""
        return "", True

    def run(self) -> Row:
        """Live before, through and after the fault, and tell."""
        with self.control:
            return self._run()

    def _run(self) -> Row:
        self.site.start()
        self._live(_BEFORE_S)
        assert self.site.drained(20), self.site.text[-2000:]
        before = len(self.site.kept())
        calm_mb = max(self.memory_mb)
        self.begin()
        self.memory_mb.clear()
        self._live(self.for_s)
        during, growth_mb = len(self.site.kept()) - before, max(self.memory_mb) - calm_mb
        waiting = self.site.undelivered()
        self.end()
        ended = time.monotonic()
        self._live(_AFTER_S)
        caught_up = self.site.drained(_CAUGHT_UP_WITHIN_S)
        took_s = time.monotonic() - ended
        same = caught_up and all_heard(self.site, self.subscriber)
        ears = heard(self.subscriber)
        words, well = self.more()
        alive = self.site.process is not None and self.site.process.poll() is None
        code = self.site.stop()
        gap_s, bare_s = self.site.longest_gap_s(), self.control.longest_gap_s
        missing = len({k.id for k in self.site.kept()} - set(ears.ids))
        return Row(
            f"broker {self.name}, {self.for_s:.0f} s",
            f"longest gap {gap_s:.2f} s ({bare_s:.2f} s for a bare loop) in {self.site.samples()} s; memory {calm_mb:.1f} {growth_mb:+.1f} MB; "
            f"{during} events meanwhile, {waiting} waited, {missing} missing {took_s:.0f} s later, "
            f"{ears.repeats} repeats, {'in order' if ears.in_order else 'OUT OF ORDER'}{words}",
            f"no second missed; at most +{_MOST_GROWTH_MB:.0f} MB; all arrive, in order",
            alive and code == 0 and same and ears.in_order and well
            and gap_s <= self.control.allowed_gap_s and growth_mb <= _MOST_GROWTH_MB and during > 0,
        )  # fmt: skip

    def _live(self, seconds: float) -> None:
        """Let time pass; orders for `right` come in, memory is looked at."""
        for number, _ in enumerate(paced(seconds)):
            if number % _ASK_EVERY_S == 0:
                self.asked = not getattr(self, "asked", False)
                pause = Order("maintenance", "right", 30.0)
                self.site.order(pause if self.asked else Order("resume", "right"))
            self.memory_mb.append(self.site.resident_mb())

    def close(self) -> None:
        self.stack.close()


class Killed(Case):
    """Without warning; what it had kept on disk is there again."""

    name = "killed"

    def begin(self) -> None:
        self.broker.kill()

    def end(self) -> None:
        self.broker.start()


class Emptied(Case):
    """Without warning, and its memory is gone too."""

    name = "killed and restarted empty"

    def begin(self) -> None:
        self.shown = self._retained("before")
        self.broker.kill()
        (self.broker.folder / "mosquitto.db").unlink(missing_ok=True)

    def end(self) -> None:
        self.broker.start()

    def more(self) -> tuple[str, bool]:
        again = self._retained("after")
        words = f"; {len(self.shown & again)} of {len(self.shown)} retained topics shown again"
        return words, bool(self.shown) and self.shown <= again

    def _retained(self, when: str) -> set[str]:
        folder = self.folder / when
        folder.mkdir()
        late = Subscriber(folder, self.broker.port, f"{TOPICS}/#", "--retained-only")
        try:
            until(lambda: len(late.messages()) > 30, 3)
            return {topic for topic, _ in late.messages()}
        finally:
            late.stop()


class BlackHoled(Case):
    """Nothing that is sent arrives, and nothing says so."""

    name = "black-holed"

    def entrance(self) -> int:
        self.proxy = Proxy(self.broker.port, _SLOW_BYTES_PER_S)
        self.stack.callback(self.proxy.close)
        return self.proxy.port

    def begin(self) -> None:
        self.proxy.line = Line.BLACK_HOLE

    def end(self) -> None:
        self.proxy.line = Line.OPEN


class Slow(BlackHoled):
    """The line carries less than the site has to say."""

    name = f"slow ({_SLOW_BYTES_PER_S / 1000:.0f} kB/s)"

    def begin(self) -> None:
        self.proxy.line = Line.SLOW


class RefusedByRules(Case):
    """Its access rules do not let the daemon publish any more."""

    name = "refusing by access rules"

    def built(self) -> Mosquitto:
        self.rules = self.folder / "acl"
        self._allow("topic readwrite #\n")
        return Mosquitto(self.folder / "broker", f"acl_file {self.rules}\n")

    def _allow(self, text: str) -> None:
        self.rules.write_text(text, encoding="utf-8")
        self.rules.chmod(0o600)

    def _read_again(self) -> None:
        assert self.broker.process is not None
        self.broker.process.send_signal(1)  # SIGHUP

    def begin(self) -> None:
        self._allow("topic read #\n")
        self._read_again()

    def end(self) -> None:
        self._allow("topic readwrite #\n")
        self._read_again()


class RefusedByPassword(Case):
    """The daemon's password counts no more."""

    name = "refusing by password"

    def built(self) -> Mosquitto:
        self.users = self.folder / "users"
        self.users.touch(0o600)
        self._set(_EAR, "wet-ears")
        self._set(_USER, "wet-hands")
        secret = self.folder / "secret"
        secret.write_text("wet-hands\n", encoding="utf-8")
        self.mqtt = f'username = "{_USER}"\npassword_file = "{secret}"'
        port = free_port()
        broker = Mosquitto(
            self.folder / "broker",
            listener=f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {self.users}\n",
        )
        broker.port = port
        return broker

    def _set(self, user: str, word: str) -> None:
        tool = shutil.which("mosquitto_passwd")
        assert tool is not None, "mosquitto_passwd is missing; tests/run installs it"
        subprocess.run([tool, "-b", str(self.users), user, word], check=True, capture_output=True)

    def listen(self, folder: Path) -> Subscriber:
        return Subscriber(folder, self.broker.port, f"{TOPICS}/#", "-u", _EAR, "-P", "wet-ears")

    def begin(self) -> None:
        self.broker.stop()
        self._set(_USER, "dry-hands")
        self.broker.start()

    def end(self) -> None:
        self._set(_USER, "wet-hands")
        self.broker.stop()
        self.broker.start()


CASES: tuple[type[Case], ...] = (
    Killed, Emptied, BlackHoled, RefusedByRules, RefusedByPassword, Slow,
)  # fmt: skip


def away(tries: int) -> Row:
    """Nobody listens, for as many tries to connect as days of that make at one in 20 seconds."""
    address = BrokerAddress("127.0.0.1", free_port(), True, "away")
    sink = MqttSink(lambda: address, Topics("canister", "away"), Run("journal", "run", 0.0), "1")

    def fail(often: int) -> float:
        for _ in range(often):
            try:
                sink.open()
            except BrokerError:
                sink.close(False)
        gc.collect()
        return resident_mb()

    before_mb = fail(_FIRST_TRIES)
    growth_mb = fail(tries) - before_mb
    return Row(
        f"broker away for {tries} tries ({tries * _LONGEST_WAIT_S / DAY_S:.1f} days)",
        f"memory {before_mb:.1f} {growth_mb:+.1f} MB",
        f"at most +{_MOST_AWAY_MB:.0f} MB",
        growth_mb <= _MOST_AWAY_MB,
    )


def measure(
    cases: tuple[type[Case], ...] = CASES, for_s: float = FOR_S, tries: int = 20_000
) -> list[Row]:
    """Bring these upon brokers, all at the same time; then let a broker be away for long."""
    rows: dict[int, Row | BaseException] = {}

    def one(number: int, case: type[Case], folder: Path) -> None:
        try:
            made = case(folder, for_s)
            try:
                rows[number] = made.run()
            finally:
                made.close()
        except BaseException as error:
            rows[number] = error

    with tempfile.TemporaryDirectory() as name:
        threads = [
            threading.Thread(target=one, args=(n, case, Path(name) / f"case{n}"))
            for n, case in enumerate(cases)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    found = []
    for number in range(len(cases)):
        row = rows[number]
        if isinstance(row, BaseException):
            raise row
        found.append(row)
    return [*found, away(tries)]
