"""The count of pulses: what is counted, what is refused, and what is not known.

The sensor is invented: 225 Hz at its highest flow, so that no edge may follow another within
1/450 s. Expected counts are worked out by hand from the times of the edges.
"""

from __future__ import annotations

import gc
import importlib.util
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from monitor.errors import SensorError
from monitor.records import Moment, PulseReading, Quality
from monitor.sensing.gpio import PulsePins
from monitor.sensing.pulses import PulseCounter, PulseSpan

MAX_RATE_HZ = 225.0


def at(line_s: float) -> Moment:
    return Moment(line_s, 1.7e9 + line_s)


def edges(counter: PulseCounter, rate_hz: float, number: int, start_s: float = 0.0) -> None:
    for index in range(number):
        counter.edge(start_s + index / rate_hz, 0)


class TestMinimumPeriod:
    def test_every_pulse_at_the_highest_flow_counts(self) -> None:
        counter = PulseCounter(MAX_RATE_HZ)
        edges(counter, MAX_RATE_HZ, 2000)
        assert (counter.count, counter.rejected) == (2000, 0)

    def test_ten_minutes_at_200_hz_lose_nothing(self) -> None:
        counter = PulseCounter(MAX_RATE_HZ)
        edges(counter, 200.0, 120_000)
        assert (counter.count, counter.rejected) == (120_000, 0)

    def test_a_bouncing_edge_counts_once(self) -> None:
        counter = PulseCounter(MAX_RATE_HZ)
        for stamp_s in (0.0, 0.0004, 0.0009, 0.01, 0.0103, 0.02):
            counter.edge(stamp_s, 0)
        assert (counter.count, counter.rejected) == (3, 3)

    def test_the_period_is_taken_from_the_last_pulse_that_counted(self) -> None:
        # 0.0015 s apart: every second edge is 3 ms after the last that counted, above 1/450 s.
        counter = PulseCounter(MAX_RATE_HZ)
        for index in range(10):
            counter.edge(index * 0.0015, 0)
        assert (counter.count, counter.rejected) == (5, 5)

    @pytest.mark.parametrize(("apart_s", "counted"), [(1 / 450 + 1e-6, 2), (1 / 450 - 1e-6, 1)])
    def test_the_shortest_period_is_half_that_of_the_highest_flow(
        self, apart_s: float, counted: int
    ) -> None:
        counter = PulseCounter(MAX_RATE_HZ)
        counter.edge(0.0, 0)
        counter.edge(apart_s, 0)
        assert counter.count == counted

    def test_the_very_first_edge_counts_whatever_its_stamp(self) -> None:
        counter = PulseCounter(MAX_RATE_HZ)
        counter.edge(0.0, 0)
        assert counter.count == 1

    def test_odd_stamps_do_not_raise_in_the_callback_thread(self) -> None:
        counter = PulseCounter(MAX_RATE_HZ)
        for stamp_s in (5.0, 5.0, 4.0, -1.0, 0.0, 1e18):
            counter.edge(stamp_s, 1)
        assert counter.count + counter.rejected == 6


class TestSpans:
    def counted(self) -> tuple[PulseCounter, PulseSpan]:
        # The clock stands at 0: no edge of these tests comes to us late.
        counter = PulseCounter(MAX_RATE_HZ, lambda: 0.0)
        return counter, PulseSpan("left_tank", counter)

    def test_the_first_look_only_marks_the_time(self) -> None:
        counter, span = self.counted()
        edges(counter, 100.0, 50)
        assert span.read(at(10.0), alive=True) is None

    def test_the_second_look_tells_the_pulses_since_the_first(self) -> None:
        counter, span = self.counted()
        edges(counter, 100.0, 50)
        span.read(at(10.0), alive=True)
        edges(counter, 100.0, 75, start_s=10.0)
        assert span.read(at(10.75), alive=True) == PulseReading("left_tank", 0.75, 75)

    def test_pulses_from_before_the_span_was_made_are_not_its_own(self) -> None:
        counter = PulseCounter(MAX_RATE_HZ)
        edges(counter, 100.0, 30)
        span = PulseSpan("left_tank", counter)
        span.read(at(0.0), alive=True)
        assert span.read(at(1.0), alive=True) == PulseReading("left_tank", 1.0, 0)

    def test_looks_add_up_to_what_was_counted(self) -> None:
        counter, span = self.counted()
        span.read(at(0.0), alive=True)
        told = 0
        for second in range(1, 31):
            edges(counter, 37.0, second, start_s=float(second))
            reading = span.read(at(second + 1.0), alive=True)
            assert reading is not None
            told += reading.pulses
        assert told == counter.count == sum(range(1, 31))

    def test_a_rotor_at_rest_is_zero_and_good(self) -> None:
        _, span = self.counted()
        span.read(at(0.0), alive=True)
        assert span.read(at(1.0), alive=True) == PulseReading("left_tank", 1.0, 0, Quality.GOOD)

    def test_a_dead_counter_is_not_a_rotor_at_rest(self) -> None:
        _, span = self.counted()
        span.read(at(0.0), alive=False)
        reading = span.read(at(1.0), alive=False)
        assert reading is not None
        assert reading.quality is Quality.DISCONNECTED

    def test_an_open_wire_is_noisy(self) -> None:
        counter, span = self.counted()
        span.read(at(0.0), alive=True)
        edges(counter, 5000.0, 5000)
        reading = span.read(at(1.0), alive=True)
        assert reading is not None
        assert reading.quality is Quality.NOISY

    @pytest.mark.parametrize(("bounces", "quality"), [(40, Quality.GOOD), (41, Quality.NOISY)])
    def test_more_edges_refused_than_counted_are_noise(
        self, bounces: int, quality: Quality
    ) -> None:
        counter, span = self.counted()
        span.read(at(0.0), alive=True)
        edges(counter, 100.0, 39)
        edges(counter, 1e6, 1 + bounces, start_s=0.5)  # one pulse that bounces
        assert span.read(at(1.0), alive=True) == PulseReading("left_tank", 1.0, 40, quality)

    def test_a_few_bounces_on_good_pulses_are_not_noise(self) -> None:
        counter, span = self.counted()
        span.read(at(0.0), alive=True)
        edges(counter, 100.0, 100)
        edges(counter, 1e4, 20, start_s=1.0)  # one pulse that bounces 19 times
        reading = span.read(at(2.0), alive=True)
        assert reading == PulseReading("left_tank", 2.0, 101, Quality.GOOD)

    def test_one_stray_edge_on_a_rotor_at_rest_is_not_noise(self) -> None:
        counter, span = self.counted()
        span.read(at(0.0), alive=True)
        counter.edge(0.5, 0)
        counter.edge(0.5001, 0)
        reading = span.read(at(1.0), alive=True)
        assert reading == PulseReading("left_tank", 1.0, 1, Quality.GOOD)

    def test_noise_is_over_when_the_wire_is_quiet_again(self) -> None:
        counter, span = self.counted()
        span.read(at(0.0), alive=True)
        edges(counter, 5000.0, 5000)
        span.read(at(1.0), alive=True)
        edges(counter, 100.0, 100, start_s=1.01)
        assert span.read(at(2.0), alive=True) == PulseReading("left_tank", 1.0, 100, Quality.GOOD)

    def test_no_time_no_reading(self) -> None:
        _, span = self.counted()
        span.read(at(5.0), alive=True)
        assert span.read(at(5.0), alive=True) is None


class TestLostPulses:
    """The kernel keeps 16 events of a line and drops the oldest (linux/gpio.h, event_buffer_size)."""

    def run(self, arrived_s: float, stamps_s: list[float]) -> PulseCounter:
        counter = PulseCounter(MAX_RATE_HZ, lambda: arrived_s)
        edges(counter, 100.0, 100)  # the last at 0.99 s
        for stamp_s in stamps_s:
            counter.edge(stamp_s, 0)
        return counter

    def test_a_queue_that_ran_over_is_told_from_gap_and_delay(self) -> None:
        # 100 Hz; nobody reads from 1.00 to 1.30 s: 30 edges, of which the newest 16 are kept.
        kept = [1.15 + n / 100 for n in range(16)]
        counter = self.run(1.301, [*kept, 1.31, 1.32])
        assert counter.count + counter.lost == 133
        assert counter.lost == 15

    def test_a_rotor_that_paused_has_lost_nothing(self) -> None:
        counter = self.run(1.1501, [1.15 + n / 100 for n in range(40)])
        assert (counter.count, counter.lost) == (140, 0)

    def test_a_reader_that_is_late_but_in_time_has_lost_nothing(self) -> None:
        # The same pause, and 14 edges wait when the first of them is taken: the queue had room.
        counter = self.run(1.285, [1.15 + n / 100 for n in range(40)])
        assert (counter.count, counter.lost) == (140, 0)

    def test_the_reading_with_the_gap_is_not_trusted_and_the_next_one_is(self) -> None:
        counter = PulseCounter(MAX_RATE_HZ, lambda: 1.301)
        span = PulseSpan("left_tank", counter)
        span.read(at(0.0), alive=True)
        edges(counter, 100.0, 100)
        edges(counter, 100.0, 16, start_s=1.15)
        reading = span.read(at(1.5), alive=True)
        assert reading is not None
        assert reading.quality is Quality.MISSING
        edges(counter, 100.0, 100, start_s=1.31)
        assert span.read(at(2.5), alive=True) == PulseReading("left_tank", 1.0, 100, Quality.GOOD)


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    made = MockFactory()
    yield made
    made.close()
    made.reset()


class TestPins:
    def test_only_falling_edges_count(self, factory: MockFactory) -> None:
        source = PulsePins({"left_tank": (17, 1e9)}, factory)
        source.start()
        source.read(at(0.0))
        for _ in range(7):
            factory.pin(17).drive_low()
            factory.pin(17).drive_high()
        assert source.read(at(1.0)) == (PulseReading("left_tank", 1.0, 7),)
        source.close()

    def test_each_filter_has_its_own_count(self, factory: MockFactory) -> None:
        source = PulsePins({"left_tank": (17, 1e9), "right_tank": (27, 1e9)}, factory)
        source.start()
        source.read(at(0.0))
        factory.pin(27).drive_low()
        assert source.read(at(1.0)) == (
            PulseReading("left_tank", 1.0, 0),
            PulseReading("right_tank", 1.0, 1),
        )
        source.close()

    def test_the_counter_outlives_a_collection_of_garbage(self, factory: MockFactory) -> None:
        # gpiozero holds the callback by a weak reference only.
        source = PulsePins({"left_tank": (17, 1e9)}, factory)
        source.start()
        source.read(at(0.0))
        gc.collect()
        factory.pin(17).drive_low()
        (reading,) = source.read(at(1.0))
        assert isinstance(reading, PulseReading)
        assert reading.pulses == 1
        source.close()

    def test_a_closed_source_hears_no_more_edges(self, factory: MockFactory) -> None:
        source = PulsePins({"left_tank": (17, 1e9)}, factory)
        source.start()
        source.close()
        factory.pin(17).drive_low()
        assert factory.pin(17).when_changed is None
        assert source.read(at(1.0)) == ()

    def test_a_closed_source_can_be_started_again(self, factory: MockFactory) -> None:
        source = PulsePins({"left_tank": (17, 1e9)}, factory)
        source.start()
        source.close()
        source.start()
        source.read(at(0.0))
        factory.pin(17).drive_low()
        assert source.read(at(1.0)) == (PulseReading("left_tank", 1.0, 1),)
        source.close()

    def test_pins_that_are_not_open_are_not_well(self, factory: MockFactory) -> None:
        source = PulsePins({"left_tank": (17, MAX_RATE_HZ)}, factory)
        assert not source.health(at(0.0)).working

    def test_health_names_filter_and_pin(self, factory: MockFactory) -> None:
        source = PulsePins({"left_tank": (17, MAX_RATE_HZ)}, factory)
        source.start()
        assert "left_tank on GPIO17" in source.health(at(0.0)).line
        source.close()

    def test_a_pin_in_use_is_named_with_its_filter_and_the_others_are_given_back(self) -> None:
        first = SimpleNamespace(when_changed=None, closed=False)
        first.close = lambda: setattr(first, "closed", True)

        def pin(number: int) -> Any:
            if number == 27:
                raise RuntimeError("GPIO busy")
            return first

        source = PulsePins(
            {"left_tank": (17, MAX_RATE_HZ), "right_tank": (27, MAX_RATE_HZ)},
            SimpleNamespace(pin=pin),
        )
        with pytest.raises(SensorError, match=r"GPIO pin 27 of filter right_tank: GPIO busy; .+"):
            source.start()
        assert first.closed
        assert first.when_changed is None


class TestTheThreadThatReportsEdges:
    """lgpio has one callback thread, which any exception ends."""

    def test_its_death_is_disconnected_and_seen_in_health(
        self, factory: MockFactory, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        dead = threading.Thread(target=lambda: None)
        dead.start()
        dead.join()
        source = PulsePins({"left_tank": (17, MAX_RATE_HZ)}, factory)
        source.start()
        source.read(at(0.0))
        monkeypatch.setitem(sys.modules, "lgpio", SimpleNamespace(_notify_thread=dead))
        assert source.read(at(1.0)) == (PulseReading("left_tank", 1.0, 0, Quality.DISCONNECTED),)
        health = source.health(at(1.0))
        assert not health.working
        assert health.remedy
        source.close()

    @pytest.mark.skipif(importlib.util.find_spec("lgpio") is None, reason="needs lgpio")
    def test_an_exception_in_the_real_thread_is_noticed_within_five_seconds(
        self, tmp_path: Path
    ) -> None:
        # The library makes its pipe in the working folder; a report of 16 bytes written into it
        # is what the kernel's edge would be.
        script = """
import glob, struct, threading, time
threading.excepthook = lambda args: None
import lgpio
from gpiozero.pins.mock import MockFactory
from types import SimpleNamespace
from monitor.records import Moment
from monitor.sensing.gpio import PulsePins

source = PulsePins({"left_tank": (17, 225.0)}, MockFactory())
source.start()
print(source.health(Moment(0.0, 0.0)).working)
source.read(Moment(0.0, 0.0))

def burst(chip, gpio, level, tick):
    raise ValueError("a careless callback")

lgpio._notify_thread.append(SimpleNamespace(chip=0, gpio=17, func=burst))
with open(glob.glob(".lgd-nfy*")[0], "wb", buffering=0) as pipe:
    pipe.write(struct.pack("QBBBBI", 1, 0, 17, 0, 0, 0))
until = time.monotonic() + 5.0
while source.health(Moment(1.0, 1.0)).working and time.monotonic() < until:
    time.sleep(0.01)
print(source.health(Moment(1.0, 1.0)).working)
print(source.read(Moment(1.0, 1.0))[0].quality)
"""
        done = subprocess.run(
            [sys.executable, "-c", script],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.stdout.split() == ["True", "False", "disconnected"], done.stderr

    @pytest.mark.skipif(importlib.util.find_spec("lgpio") is None, reason="needs lgpio")
    def test_without_a_gpio_chip_no_other_pin_library_is_fallen_back_to(
        self, tmp_path: Path
    ) -> None:
        script = """
import os.path
there = os.path.exists
os.path.exists = lambda path: "gpiochip" not in str(path) and there(path)
from monitor.errors import SensorError
from monitor.sensing.gpio import PulsePins
try:
    PulsePins({"left_tank": (17, 225.0)}).start()
except SensorError as error:
    print(error)
"""
        done = subprocess.run(
            [sys.executable, "-c", script],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.stdout.startswith("GPIO chip: none"), done.stderr
        assert done.stderr == ""
