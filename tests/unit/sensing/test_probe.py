"""The temperature probe: every text that a DS18B20 and its kernel driver can show.

Sources: data sheet of the DS18B20 (table of temperatures and register values, 85 °C at power-on,
12-bit steps of 1/16 °C); Maxim application note 27 (CRC-8 of 1-Wire devices). The limits for water
and for its rate of change, and the ROM ids, are invented for this project.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.errors import SensorError
from monitor.records import Moment, Quality, TemperatureReading
from monitor.sensing import probe
from monitor.sensing.probe import Probes, _Reader, decode, one_wire_library

ROM_ID = "28-00000a1b2c3d"
NOW = Moment(0.0, 1.7e9)  # the probes keep their own time
WITHIN_S = 10.0

# The data sheet's table, as the kernel's file w1_slave shows it, with the expected reading.
DATA_SHEET = [
    (
        "+125 = 07D0h",
        "d0 07 4b 46 7f ff 0c 10 f4 : crc=f4 YES\nd0 07 4b 46 7f ff 0c 10 f4 t=125000\n",
        None,
        Quality.OUT_OF_RANGE,
    ),
    (
        "+85 = 0550h",
        "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n",
        None,
        Quality.POWER_ON,
    ),
    (
        "+25.0625 = 0191h",
        "91 01 4b 46 7f ff 0c 10 70 : crc=70 YES\n91 01 4b 46 7f ff 0c 10 70 t=25062\n",
        25.0625,
        Quality.GOOD,
    ),
    (
        "+10.125 = 00A2h",
        "a2 00 4b 46 7f ff 0c 10 74 : crc=74 YES\na2 00 4b 46 7f ff 0c 10 74 t=10125\n",
        10.125,
        Quality.GOOD,
    ),
    (
        "+0.5 = 0008h",
        "08 00 4b 46 7f ff 0c 10 e2 : crc=e2 YES\n08 00 4b 46 7f ff 0c 10 e2 t=500\n",
        0.5,
        Quality.GOOD,
    ),
    (
        "0 = 0000h",
        "00 00 4b 46 7f ff 0c 10 c8 : crc=c8 YES\n00 00 4b 46 7f ff 0c 10 c8 t=0\n",
        0.0,
        Quality.GOOD,
    ),
    (
        "-0.5 = FFF8h",
        "f8 ff 4b 46 7f ff 0c 10 c3 : crc=c3 YES\nf8 ff 4b 46 7f ff 0c 10 c3 t=-500\n",
        -0.5,
        Quality.GOOD,
    ),
    (
        "-10.125 = FF5Eh",
        "5e ff 4b 46 7f ff 0c 10 6a : crc=6a YES\n5e ff 4b 46 7f ff 0c 10 6a t=-10125\n",
        None,
        Quality.OUT_OF_RANGE,
    ),
    (
        "-25.0625 = FE6Fh",
        "6f fe 4b 46 7f ff 0c 10 e8 : crc=e8 YES\n6f fe 4b 46 7f ff 0c 10 e8 t=-25062\n",
        None,
        Quality.OUT_OF_RANGE,
    ),
    (
        "-55 = FC90h",
        "90 fc 4b 46 7f ff 0c 10 4f : crc=4f YES\n90 fc 4b 46 7f ff 0c 10 4f t=-55000\n",
        None,
        Quality.OUT_OF_RANGE,
    ),
]
WARM = DATA_SHEET[2][1]  # 25.0625 °C
POWER_ON = DATA_SHEET[1][1]

# Texts that are no measurement at all.
UNREADABLE = {
    "empty file": b"",
    "blank line": b"\n",
    "crc refused by the kernel": WARM.replace("YES", "NO").encode(),
    "torn in the bytes": b"91 01 4b 46",
    "torn in the verdict": b"91 01 4b 46 7f ff 0c 10 70 : crc=70 YE",
    "too few bytes": b"91 01 4b 46 7f ff YES\n",
    "only a verdict": b"YES\n",
    "no hexadecimal": b"zz 01 4b 46 7f ff 0c 10 70 : crc=70 YES\n",
    "binary": bytes(range(128, 256)),
    "zero bytes": bytes(64),
}


def crc8(data: bytes) -> int:
    """The CRC of application note 27: X⁸ + X⁵ + X⁴ + 1, least significant bit first."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def shown(temperature_c: float) -> str:
    """What the kernel's file shows at a temperature in steps of 1/16 °C."""
    raw = round(temperature_c * 16) & 0xFFFF
    data = bytes([raw & 0xFF, raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
    crc = crc8(data)
    text = " ".join(f"{byte:02x}" for byte in (*data, crc))
    return f"{text} : crc={crc:02x} YES\n{text} t={int(temperature_c * 1000)}\n"


def decoded(text: str, previous_c: float | None = None, since_s: float = 0.0) -> TemperatureReading:
    return decode(text.splitlines(), previous_c, since_s)


class TestDecoding:
    @pytest.mark.parametrize(
        ("text", "temperature_c", "quality"),
        [row[1:] for row in DATA_SHEET],
        ids=[row[0] for row in DATA_SHEET],
    )
    def test_the_data_sheets_table(
        self, text: str, temperature_c: float | None, quality: Quality
    ) -> None:
        assert decoded(text) == TemperatureReading("", temperature_c, quality)

    @pytest.mark.parametrize("row", DATA_SHEET, ids=[row[0] for row in DATA_SHEET])
    def test_the_fixtures_carry_the_right_crc(self, row: tuple[str, str, object, object]) -> None:
        scratchpad = bytes.fromhex(row[1][: 9 * 3])
        assert crc8(scratchpad[:8]) == scratchpad[8]
        assert row[1] == shown(float(row[0].split()[0]))

    def test_the_crc_of_the_fixtures_is_the_notes_own(self) -> None:
        assert crc8(bytes.fromhex("021cb801000000")) == 0xA2  # the note's worked example
        assert crc8(b"123456789") == 0xA1  # the usual check value of this CRC

    def test_all_zero_passes_its_crc_and_is_no_temperature(self) -> None:
        zeros = bytes(9)
        assert crc8(zeros[:8]) == zeros[8]
        text = "00 00 00 00 00 00 00 00 00"
        assert decoded(f"{text} : crc=00 YES\n{text} t=0\n") == TemperatureReading(
            "", None, Quality.DISCONNECTED
        )

    def test_all_ones_marked_yes_is_no_temperature(self) -> None:
        text = "ff ff ff ff ff ff ff ff ff"
        assert decoded(f"{text} : crc=ff YES\n{text} t=-62\n") == TemperatureReading(
            "", None, Quality.DISCONNECTED
        )

    def test_a_real_sixteenth_below_zero_is_told_from_all_ones(self) -> None:
        assert decoded(shown(-0.0625)).temperature_c == -0.0625

    @pytest.mark.parametrize("text", UNREADABLE.values(), ids=UNREADABLE.keys())
    def test_what_is_no_measurement_is_missing(self, text: bytes) -> None:
        reading = decoded(text.decode(errors="replace"))
        assert reading == TemperatureReading("", None, Quality.MISSING)

    def test_no_lines_at_all_are_missing(self) -> None:
        assert decode([], None, 0.0).quality is Quality.MISSING

    def test_the_second_line_is_not_needed(self) -> None:
        assert decode(WARM.splitlines()[:1], None, 0.0).temperature_c == 25.0625

    @pytest.mark.parametrize(
        ("temperature_c", "quality"),
        [
            (-5.0625, Quality.OUT_OF_RANGE),
            (-5.0, Quality.GOOD),
            (60.0, Quality.GOOD),
            (60.0625, Quality.OUT_OF_RANGE),
            (84.9375, Quality.OUT_OF_RANGE),
            (127.9375, Quality.OUT_OF_RANGE),
        ],
    )
    def test_the_range_of_water(self, temperature_c: float, quality: Quality) -> None:
        assert decoded(shown(temperature_c)).quality is quality

    def test_the_power_on_value_is_not_believed_next_to_a_good_one_either(self) -> None:
        assert decoded(POWER_ON, previous_c=59.0, since_s=60.0).quality is Quality.POWER_ON

    @pytest.mark.parametrize(
        ("temperature_c", "since_s", "quality"),
        [
            (26.0, 0.0, Quality.GOOD),  # 1 °C at once: two steps of the probe's own error
            (26.0625, 0.0, Quality.OUT_OF_RANGE),
            (24.0, 0.0, Quality.GOOD),
            (23.9375, 0.0, Quality.OUT_OF_RANGE),
            (28.0, 2.0, Quality.GOOD),
            (28.0625, 2.0, Quality.OUT_OF_RANGE),
            (22.0, 2.0, Quality.GOOD),
            (21.9375, 2.0, Quality.OUT_OF_RANGE),
            (50.0, 60.0, Quality.GOOD),
        ],
    )
    def test_a_jump_of_more_than_one_degree_a_second_is_refused(
        self, temperature_c: float, since_s: float, quality: Quality
    ) -> None:
        assert decoded(shown(temperature_c), previous_c=25.0, since_s=since_s).quality is quality


class Bus:
    """A folder as the kernel shows the 1-Wire bus, with one probe in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = folder / ROM_ID / "w1_slave"

    def show(self, text: str | bytes) -> None:
        """Put a text in place whole, as the kernel does."""
        self.file.parent.mkdir(exist_ok=True)
        fresh = self.folder / "fresh"
        fresh.write_bytes(text.encode() if isinstance(text, str) else text)
        fresh.replace(self.file)

    def unplug(self) -> None:
        self.file.unlink()
        self.file.parent.rmdir()

    def hang(self) -> None:
        """From now on a read does not come back: opening an unwritten pipe waits."""
        pipe = self.folder / "pipe"
        os.mkfifo(pipe)
        pipe.replace(self.file)

    def let_go(self, text: str) -> None:
        """Let the waiting read end with a text, and the next ones see it as well."""
        pipe = self.folder / "pipe"
        self.file.replace(pipe)
        self.show(text)
        handle = os.open(pipe, os.O_WRONLY | os.O_NONBLOCK)
        os.write(handle, text.encode())
        os.close(handle)


@pytest.fixture
def bus(tmp_path: Path) -> Bus:
    return Bus(tmp_path)


@pytest.fixture
def watched(bus: Bus) -> Iterator[Callable[[float], Probes]]:
    """Starts probes on the bus that are read every so many seconds."""
    started = []

    def start(every_s: float) -> Probes:
        source = Probes({"left_tank": ROM_ID}, bus.folder, every_s)
        source.start()
        started.append(source)
        return source

    yield start
    for source in started:
        source.close()


def next_reading(source: Probes) -> TemperatureReading:
    """The next reading of a source with one probe."""
    until_s = time.monotonic() + WITHIN_S
    while time.monotonic() < until_s:
        for reading in source.read(NOW):
            assert isinstance(reading, TemperatureReading)
            return reading
        time.sleep(0.002)
    raise AssertionError("no reading came")


def readings_until(source: Probes, quality: Quality) -> list[TemperatureReading]:
    """Everything delivered up to the first reading of a quality, this one included."""
    found = [next_reading(source)]
    until_s = time.monotonic() + WITHIN_S
    while found[-1].quality is not quality:
        assert time.monotonic() < until_s, f"never {quality}: {found[-5:]}"
        found.append(next_reading(source))
    return found


def probe_threads() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name.startswith("probe-")]


ONCE_S, OFTEN_S = 3600.0, 0.02


class TestReadingTheBus:
    def test_a_good_reading_carries_its_filter(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        bus.show(WARM)
        source = watched(ONCE_S)
        assert next_reading(source) == TemperatureReading("left_tank", 25.0625, Quality.GOOD)
        assert source.health(NOW).working

    @pytest.mark.parametrize("text", UNREADABLE.values(), ids=UNREADABLE.keys())
    def test_a_file_without_a_measurement_is_missing(
        self, bus: Bus, watched: Callable[[float], Probes], text: bytes
    ) -> None:
        bus.show(text)
        source = watched(ONCE_S)
        assert next_reading(source) == TemperatureReading("left_tank", None, Quality.MISSING)
        assert not source.health(NOW).working

    @pytest.mark.parametrize("byte", ["00", "ff"])
    def test_a_short_circuit_is_no_temperature(
        self, bus: Bus, watched: Callable[[float], Probes], byte: str
    ) -> None:
        text = " ".join([byte] * 9)
        bus.show(f"{text} : crc={byte} YES\n{text} t=0\n")
        reading = next_reading(watched(ONCE_S))
        assert reading.temperature_c is None
        assert reading.quality in (Quality.DISCONNECTED, Quality.MISSING)

    def test_a_probe_that_is_not_there_is_disconnected(
        self, watched: Callable[[float], Probes]
    ) -> None:
        source = watched(ONCE_S)
        assert next_reading(source) == TemperatureReading("left_tank", None, Quality.DISCONNECTED)
        health = source.health(NOW)
        assert not health.working
        assert ROM_ID in health.line

    def test_another_probe_on_the_bus_is_not_taken_for_it(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        other = bus.folder / "28-0000ffffffff"
        other.mkdir()
        (other / "w1_slave").write_text(WARM)
        assert next_reading(watched(ONCE_S)).quality is Quality.DISCONNECTED

    def test_each_filter_gets_its_own_probe(self, bus: Bus) -> None:
        for rom_id, temperature_c in (("28-000000000001", 24.0), ("28-000000000002", 26.0)):
            (bus.folder / rom_id).mkdir()
            (bus.folder / rom_id / "w1_slave").write_text(shown(temperature_c))
        rom_ids = {"left_tank": "28-000000000001", "right_tank": "28-000000000002"}
        source = Probes(rom_ids, bus.folder, ONCE_S)
        source.start()
        found: dict[str, float | None] = {}
        until_s = time.monotonic() + WITHIN_S
        while len(found) < 2 and time.monotonic() < until_s:
            for reading in source.read(NOW):
                assert isinstance(reading, TemperatureReading)
                found[reading.filter_id] = reading.temperature_c
        source.close()
        assert found == {"left_tank": 24.0, "right_tank": 26.0}

    def test_a_probe_that_vanishes_and_comes_back_is_read_again_by_itself(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        bus.show(WARM)
        source = watched(OFTEN_S)
        readings_until(source, Quality.GOOD)
        bus.unplug()
        readings_until(source, Quality.DISCONNECTED)
        bus.show(WARM)
        assert readings_until(source, Quality.GOOD)[-1].temperature_c == 25.0625
        assert source.health(NOW).working

    def test_a_probe_that_comes_only_after_the_start_is_read_by_itself(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        source = watched(OFTEN_S)
        readings_until(source, Quality.DISCONNECTED)
        bus.show(WARM)
        assert readings_until(source, Quality.GOOD)[-1].temperature_c == 25.0625

    def test_after_power_on_the_first_conversion_is_waited_for(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        bus.show(POWER_ON)
        source = watched(OFTEN_S)
        assert next_reading(source).quality is Quality.POWER_ON
        bus.show(WARM)
        assert readings_until(source, Quality.GOOD)[-1].temperature_c == 25.0625

    def test_the_last_good_value_never_stands_in_for_a_bad_one(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        bus.show(WARM)
        source = watched(OFTEN_S)
        readings_until(source, Quality.GOOD)
        for text, quality in (
            (b"", Quality.MISSING),
            (POWER_ON, Quality.POWER_ON),
            (shown(-10.125), Quality.OUT_OF_RANGE),
        ):
            bus.show(text)
            assert readings_until(source, quality)[-1].temperature_c is None


class TestJumps:
    def test_a_jump_is_refused_first_and_believed_when_it_repeats(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        bus.show(WARM)
        source = watched(0.1)
        readings_until(source, Quality.GOOD)
        bus.show(shown(55.0))  # at a degree a second this would take half a minute
        readings_until(source, Quality.OUT_OF_RANGE)
        believed = readings_until(source, Quality.GOOD)
        assert believed[-1].temperature_c == 55.0
        assert len(believed) <= 5

    def test_jumps_that_contradict_one_another_are_not_believed(self, tmp_path: Path) -> None:
        """25, 35, 15, 50, 5 °C: none of them repeats."""
        library = one_wire_library(tmp_path)
        reader = _Reader("left_tank", ROM_ID, library, 3600.0)
        folder = tmp_path / ROM_ID
        folder.mkdir()
        seen = []
        for value in (25.0, 35.0, 15.0, 50.0, 5.0, 127.9375, 127.9375, 127.9375, 45.0):
            (folder / "w1_slave").write_text(shown(value))
            seen.append(reader._look().temperature_c)
        assert seen == [25.0] + [None] * 8

    def test_a_single_glitch_is_refused_and_forgotten(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        bus.show(WARM)
        source = watched(0.25)
        readings_until(source, Quality.GOOD)
        bus.show(shown(35.0))
        readings_until(source, Quality.OUT_OF_RANGE)
        bus.show(WARM)
        assert readings_until(source, Quality.GOOD)[-1].temperature_c == 25.0625


class TestABusThatHangs:
    def test_what_a_hanging_thread_last_said_goes_stale_and_it_comes_back_by_itself(
        self, bus: Bus, watched: Callable[[float], Probes], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(probe, "FRESH_FOR_S", 0.3)
        bus.show(WARM)
        source = watched(OFTEN_S)
        readings_until(source, Quality.GOOD)
        bus.hang()
        assert readings_until(source, Quality.MISSING)[-1].temperature_c is None
        health = source.health(NOW)
        assert not health.working
        assert "has not answered" in health.line
        bus.let_go(WARM)
        assert readings_until(source, Quality.GOOD)[-1].temperature_c == 25.0625

    def test_neither_look_nor_close_waits_for_the_bus(
        self, bus: Bus, watched: Callable[[float], Probes]
    ) -> None:
        bus.show(WARM)
        bus.hang()
        source = watched(OFTEN_S)
        time.sleep(0.1)
        began_s = time.monotonic()
        assert source.read(NOW) == ()
        assert not source.health(NOW).working
        assert time.monotonic() - began_s < 0.5
        source.close()
        assert time.monotonic() - began_s < 5.0
        bus.let_go(WARM)
        for thread in probe_threads():
            thread.join(WITHIN_S)
        assert probe_threads() == []

    def test_an_answer_older_than_ten_seconds_is_not_fresh(self) -> None:
        assert probe.FRESH_FOR_S == 10.0


class TestStartAndClose:
    def test_close_ends_the_threads(self, bus: Bus, watched: Callable[[float], Probes]) -> None:
        bus.show(WARM)
        source = watched(ONCE_S)
        next_reading(source)
        assert len(probe_threads()) == 1
        source.close()
        assert probe_threads() == []

    def test_no_kernel_module_is_loaded(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("W1THERMSENSOR_NO_KERNEL_MODULE", "0")
        one_wire_library(tmp_path)
        assert os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] == "1"

    def test_a_missing_library_is_told_with_the_command_that_brings_it(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setitem(sys.modules, "w1thermsensor", None)
        with pytest.raises(SensorError, match="pip install"):
            Probes({"left_tank": ROM_ID}, tmp_path).start()

    def test_probes_that_were_not_started_are_not_said_to_work(self, tmp_path: Path) -> None:
        source = Probes({"left_tank": ROM_ID}, tmp_path)
        assert not source.health(NOW).working

    def test_no_probes_asked_for_is_no_fault(self, tmp_path: Path) -> None:
        source = Probes({}, tmp_path)
        source.start()
        assert source.read(NOW) == ()
        assert source.health(NOW).working
        source.close()
