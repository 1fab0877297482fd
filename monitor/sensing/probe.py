"""DS18B20 temperature probes on the 1-Wire bus, each read in a thread of its own.

A conversion takes up to 0.75 s and a bus in trouble blocks for longer, so the safety loop never
waits for it: it takes what the thread has delivered, and only while that is fresh. A bad value is
never replaced by the last good one.

Source of the limits: DS18B20 data sheet (range −55 to +125 °C, 85 °C after power-on, all-zero
scratchpad passes its CRC, 12-bit steps of 1/16 °C).
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from monitor.errors import SensorError
from monitor.records import FilterId, Health, Moment, Quality, Reading, TemperatureReading
from monitor.sensing.board import overlay_remedy

# Aquarium and pond water; beyond it the probe is wrong or lies somewhere else.
PROBES = "temperature probes"
"""The name of this part."""

_LOWEST_C, _HIGHEST_C = -5.0, 60.0
_POWER_ON_RAW = 0x0550  # 85 °C, what the register holds before the first conversion
# Water in a hose does not change faster; a jump beyond it must repeat itself to be believed.
_FASTEST_C_PER_S = 1.0
_BELIEVED_AFTER = 3  # readings that agree with one another
_BYTES = 9
FRESH_FOR_S = 10.0
_EVERY_S = 2.0


def decode(lines: Sequence[str], previous_c: float | None, since_s: float) -> TemperatureReading:
    """Return the reading that the kernel's two lines of text stand for, with its quality.

    Args:
        lines: of the file `w1_slave`: nine bytes in hexadecimal twice, CRC verdict, t=.
        previous_c: the last good temperature in °C, `None` for none; judges jumps.
        since_s: seconds since then.
    """
    fields = lines[0].split() if lines else []
    if len(fields) < _BYTES or fields[-1] != "YES" or any(len(f) != 2 for f in fields[:_BYTES]):
        return TemperatureReading("", None, Quality.MISSING)
    try:
        scratchpad = [int(text, 16) for text in fields[:_BYTES]]
    except ValueError:
        return TemperatureReading("", None, Quality.MISSING)
    if not any(scratchpad) or all(byte == 0xFF for byte in scratchpad):
        return TemperatureReading("", None, Quality.DISCONNECTED)
    raw = scratchpad[0] | scratchpad[1] << 8
    if raw == _POWER_ON_RAW:
        return TemperatureReading("", None, Quality.POWER_ON)
    value_c = (raw - 0x10000 if raw & 0x8000 else raw) / 16
    if not _LOWEST_C <= value_c <= _HIGHEST_C:
        return TemperatureReading("", None, Quality.OUT_OF_RANGE)
    if previous_c is not None and abs(value_c - previous_c) > 1.0 + _FASTEST_C_PER_S * since_s:
        return TemperatureReading("", None, Quality.OUT_OF_RANGE)
    return TemperatureReading("", value_c, Quality.GOOD)


class _Reader(threading.Thread):
    """Reads one probe for ever; `newest` is replaced whole, so no lock is needed."""

    def __init__(self, filter_id: FilterId, rom_id: str, library: Any, every_s: float) -> None:
        super().__init__(name=f"probe-{filter_id}", daemon=True)
        self.filter_id = filter_id
        self.rom_id = rom_id
        self.newest: tuple[float, TemperatureReading] | None = None
        self._library = library
        self._every_s = every_s
        self._halt = threading.Event()
        self._good_c: float | None = None
        self._good_at_s = 0.0
        self._jumped: list[float] = []

    def run(self) -> None:
        while not self._halt.is_set():
            reading = self._look()
            self.newest = (time.monotonic(), reading)
            self._halt.wait(self._every_s)

    def halt(self) -> None:
        self._halt.set()

    def _look(self) -> TemperatureReading:
        try:
            sensor = self._library.W1ThermSensor(
                self._library.Sensor.DS18B20, self.rom_id.removeprefix("28-")
            )
            lines = sensor.get_raw_sensor_strings()
        except self._library.SensorNotReadyError:
            return self._bad(Quality.MISSING)
        except (self._library.W1ThermSensorError, OSError):
            return self._bad(Quality.DISCONNECTED)
        except Exception:  # torn files make the library raise IndexError, UnicodeDecodeError, …
            return self._bad(Quality.MISSING)
        at_s = time.monotonic()
        reading = decode(lines, self._good_c, at_s - self._good_at_s)
        if reading.quality is Quality.OUT_OF_RANGE:
            reading = self._after_a_jump(decode(lines, None, 0.0))
        if reading.temperature_c is not None:
            self._good_c, self._good_at_s, self._jumped = reading.temperature_c, at_s, []
        return TemperatureReading(self.filter_id, reading.temperature_c, reading.quality)

    def _after_a_jump(self, reading: TemperatureReading) -> TemperatureReading:
        """Believe a jump once it has repeated itself; a single one is a disturbance."""
        value_c = reading.temperature_c
        if value_c is None:
            self._jumped = []
            return reading
        alike = [v for v in self._jumped if abs(v - value_c) <= 1.0]
        self._jumped = [*alike, value_c]
        if len(self._jumped) >= _BELIEVED_AFTER:
            return reading
        return TemperatureReading(reading.filter_id, None, Quality.OUT_OF_RANGE)

    def _bad(self, quality: Quality) -> TemperatureReading:
        self._jumped = []
        return TemperatureReading(self.filter_id, None, quality)


class Probes:
    """The temperature probes of all filters that have one.

    Args:
        rom_ids: for each filter the ROM id of its probe, as `28-0123456789ab`.
        folder: where the kernel shows 1-Wire devices; another one in tests.
        every_s: pause between two reads of one probe.
    """

    def __init__(
        self,
        rom_ids: Mapping[FilterId, str],
        folder: Path = Path("/sys/bus/w1/devices"),
        every_s: float = _EVERY_S,
    ) -> None:
        self._rom_ids = dict(rom_ids)
        self._folder = folder
        self._every_s = every_s
        self._readers: list[_Reader] = []
        self._told: dict[FilterId, float] = {}

    def start(self) -> None:
        """Start a thread for each probe. A probe that is not there yet may come later.

        Raises:
            SensorError: the extra is not installed.
        """
        library = one_wire_library(self._folder)
        for filter_id, rom_id in self._rom_ids.items():
            reader = _Reader(filter_id, rom_id, library, self._every_s)
            reader.start()
            self._readers.append(reader)

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """Return what came new from each probe, and a missing reading for one that has gone quiet."""
        found: list[Reading] = []
        at_s = time.monotonic()
        for reader in self._readers:
            newest = reader.newest
            if newest is None:
                continue
            if at_s - newest[0] > FRESH_FOR_S:
                found.append(TemperatureReading(reader.filter_id, None, Quality.MISSING))
            elif self._told.get(reader.filter_id) != newest[0]:
                self._told[reader.filter_id] = newest[0]
                found.append(newest[1])
        return tuple(found)

    def health(self, now: Moment) -> Health:
        """Say which probes deliver a temperature."""
        at_s = time.monotonic()
        bad = []
        for reader in self._readers:
            newest = reader.newest
            if newest is None or at_s - newest[0] > FRESH_FOR_S:
                bad.append(f"{reader.rom_id} has not answered")
            elif newest[1].temperature_c is None:
                bad.append(f"{reader.rom_id}: {newest[1].quality}")
        if not self._rom_ids:
            return Health(PROBES, True, "none asked for")
        if not self._readers:
            return Health(PROBES, False, "not started", "restart canister")
        if bad and not self._folder.is_dir():
            return Health(
                PROBES,
                False,
                "no 1-Wire bus on this machine",
                overlay_remedy(),
            )
        if bad:
            return Health(
                PROBES,
                False,
                ", ".join(bad),
                "look at its plug and cable; ls /sys/bus/w1/devices shows which are there",
            )
        return Health(PROBES, True, f"{len(self._readers)} answering")

    def close(self) -> None:
        """Stop the threads; one that hangs in the bus is left behind, it holds nothing."""
        for reader in self._readers:
            reader.halt()
        for reader in self._readers:
            reader.join(timeout=1.0)
        self._readers = []


def one_wire_library(folder: Path) -> Any:
    """Return w1thermsensor, told not to load kernel modules and to look in `folder`.

    Raises:
        SensorError: the extra is not installed.
    """
    os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
    try:
        import w1thermsensor
    except ImportError as error:
        raise SensorError(
            "the probe library is not installed; run deploy/install again, or in a checkout "
            ".venv/bin/pip install -c deploy/constraints.txt -e '.[pins]'"
        ) from error
    w1thermsensor.W1ThermSensor.BASE_DIRECTORY = folder
    return w1thermsensor
