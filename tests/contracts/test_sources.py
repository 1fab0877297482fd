"""What `monitor/sensing/port.py` promises, asked of every source: pins, probes, recording, rig.

Each source stands twice: well, and in trouble of its own kind. All figures are invented.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from monitor.records import (
    FlowReading,
    Moment,
    PulseReading,
    Quality,
    Reading,
    TemperatureReading,
)
from monitor.sensing.columns import choose
from monitor.sensing.faults import Fault, FaultName
from monitor.sensing.gpio import PulsePins
from monitor.sensing.port import PacedSource, Source
from monitor.sensing.probe import Probes
from monitor.sensing.recording import Recording
from monitor.sensing.rig import Rig, RigPlan
from monitor.sizing.circuit import Circuit, Fitting
from monitor.sizing.pump import pump_from_rating

TRUSTED = (Quality.GOOD, Quality.COLLECTING)
AT_ONCE_S = 0.5  # generous: a conversion of a probe alone takes longer
START_UTC_S = 1_700_000_000.0


@dataclass
class Stand:
    """A source, and the hand that lets something happen in front of it."""

    source: Source
    filter_ids: frozenset[str]
    happen: Callable[[], Moment]  # something happens, time goes on; returns when to look
    troubles: frozenset[Quality] = frozenset()  # the qualities that tell of its trouble


@contextmanager
def pins(_folder: Path, in_trouble: bool) -> Iterator[Stand]:
    numbers = {"left_tank": 17, "right_tank": 27}
    factory = MockFactory()
    # In trouble the edges come far faster than the rotor of a 225 Hz sensor could make them.
    max_rate_hz = 225.0 if in_trouble else 1e9
    source = PulsePins({name: (n, max_rate_hz) for name, n in numbers.items()}, factory)
    seconds = itertools.count()

    def happen() -> Moment:
        for number in numbers.values():
            for _ in range(20):
                factory.pin(number).drive_low()
                factory.pin(number).drive_high()
        line_s = float(next(seconds))
        return Moment(line_s, START_UTC_S + line_s)

    try:
        yield Stand(source, frozenset(numbers), happen, frozenset({Quality.NOISY}))
    finally:
        source.close()
        factory.close()
        factory.reset()


@contextmanager
def probes(folder: Path, in_trouble: bool) -> Iterator[Stand]:
    rom_ids = {"left_tank": "28-00000a1b2c3d", "right_tank": "28-00000a1b2c3e"}
    if not in_trouble:
        text = "91 01 4b 46 7f ff 0c 10 70 : crc=70 YES\n91 01 4b 46 7f ff 0c 10 70 t=25062\n"  # 25.0625 °C in the data sheet of the DS18B20
        for rom_id in rom_ids.values():
            (folder / rom_id).mkdir()
            (folder / rom_id / "w1_slave").write_text(text)
    source = Probes(rom_ids, folder, every_s=3600.0)
    seconds = itertools.count()

    def happen() -> Moment:
        line_s = float(next(seconds))
        now = Moment(line_s, START_UTC_S + line_s)
        deadline_s = time.monotonic() + 10.0
        while "has not answered" in source.health(now).line and time.monotonic() < deadline_s:
            time.sleep(0.005)
        return now

    try:
        yield Stand(source, frozenset(rom_ids), happen, frozenset({Quality.DISCONNECTED}))
    finally:
        source.close()


@contextmanager
def recording(folder: Path, in_trouble: bool) -> Iterator[Stand]:
    file = folder / "pond.csv"
    cells = "nan," if in_trouble else "612.5,24.9"
    rows = [f"{second},{cells}" for second in range(40)]
    file.write_text("\n".join(["t_s,outlet_l_per_h,temp_c", *rows]) + "\n")
    header = ["t_s", "outlet_l_per_h", "temp_c"]
    source = Recording(file, choose(header, file), "left_tank")
    moments = source.moments()
    try:
        yield Stand(
            source,
            frozenset({"left_tank"}),
            lambda: next(moments),
            frozenset({Quality.MISSING}),
        )
    finally:
        source.close()


@contextmanager
def rig(_folder: Path, in_trouble: bool) -> Iterator[Stand]:
    faults = (Fault(FaultName.NOISY_WIRE, 0.0), Fault(FaultName.PROBE_GONE, 0.0))
    circuit = Circuit(pump_from_rating(1000 / 3.6e6, 1.5), (Fitting("elbows", 0.012, 6.0),))
    plan = RigPlan("left_tank", circuit, 450_000.0, faults=faults if in_trouble else ())
    source = Rig(plan)
    moments = source.moments()
    yield Stand(
        source,
        frozenset({"left_tank"}),
        lambda: next(moments),
        frozenset({Quality.NOISY, Quality.DISCONNECTED}),
    )


Maker = Callable[[Path, bool], AbstractContextManager[Stand]]
SOURCES: dict[str, Maker] = {"pins": pins, "probes": probes, "recording": recording, "rig": rig}


@pytest.fixture(params=SOURCES)
def stand(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Stand]:
    """Each source, well."""
    with SOURCES[request.param](tmp_path, False) as made:
        yield made


@pytest.fixture(params=SOURCES)
def troubled(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Stand]:
    """Each source, with something wrong in front of it."""
    with SOURCES[request.param](tmp_path, True) as made:
        yield made


@pytest.fixture(
    params=itertools.product(SOURCES, (False, True)),
    ids=lambda param: f"{param[0]}-{'in-trouble' if param[1] else 'well'}",
)
def either(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Stand]:
    """Each source, both ways."""
    kind, in_trouble = request.param
    with SOURCES[kind](tmp_path, in_trouble) as made:
        yield made


def watch(stand: Stand, looks: int = 6) -> list[tuple[Moment, tuple[Reading, ...]]]:
    """Start the source and look at it several times while something happens."""
    stand.source.start()
    seen = []
    for _ in range(looks):
        now = stand.happen()
        seen.append((now, stand.source.read(now)))
    return seen


def readings(stand: Stand) -> list[Reading]:
    return [reading for _, batch in watch(stand) for reading in batch]


def value(reading: FlowReading | TemperatureReading) -> float | None:
    if isinstance(reading, FlowReading):
        return reading.flow_m3_per_s
    return reading.temperature_c


def test_it_can_do_what_every_source_can(stand: Stand) -> None:
    assert isinstance(stand.source, Source)


def test_a_source_with_moments_is_paced_and_its_time_only_goes_forward(stand: Stand) -> None:
    if not hasattr(stand.source, "moments"):
        assert not isinstance(stand.source, PacedSource)
        return
    assert isinstance(stand.source, PacedSource)
    times_s = [now.line_s for now, _ in watch(stand, looks=30)]
    assert all(later > earlier for earlier, later in itertools.pairwise(times_s))


def test_every_filter_is_heard_of_and_no_other(either: Stand) -> None:
    assert {reading.filter_id for reading in readings(either)} == either.filter_ids


def test_every_reading_carries_a_quality(either: Stand) -> None:
    found = readings(either)
    assert found
    assert all(isinstance(reading.quality, Quality) for reading in found)


def test_a_source_that_is_well_delivers_good_readings(stand: Stand) -> None:
    assert {reading.quality for reading in readings(stand)} == {Quality.GOOD}


def test_trouble_comes_as_a_quality_and_not_as_an_exception(troubled: Stand) -> None:
    assert {reading.quality for reading in readings(troubled)} == troubled.troubles


def test_a_value_is_absent_exactly_when_it_is_not_to_be_trusted(either: Stand) -> None:
    for reading in readings(either):
        if not isinstance(reading, PulseReading):
            assert (value(reading) is None) == (reading.quality not in TRUSTED)


def test_pulses_and_spans_are_never_negative(either: Stand) -> None:
    for reading in readings(either):
        if isinstance(reading, PulseReading):
            assert isinstance(reading.pulses, int)
            assert reading.pulses >= 0
        if not isinstance(reading, TemperatureReading):
            assert reading.span_s > 0.0


def test_nothing_is_delivered_twice(either: Stand) -> None:
    either.source.start()
    for _ in range(6):
        now = either.happen()
        either.source.read(now)
        assert either.source.read(now) == ()


def test_readings_speak_for_the_time_since_the_last_look_and_no_more(either: Stand) -> None:
    for (before, _), (now, batch) in itertools.pairwise(watch(either)):
        spans_s = [r.span_s for r in batch if not isinstance(r, TemperatureReading)]
        assert all(span_s <= now.line_s - before.line_s + 1e-9 for span_s in spans_s)


def test_each_filter_and_kind_comes_at_most_once_a_look(either: Stand) -> None:
    for _, batch in watch(either):
        kinds = [(type(reading), reading.filter_id) for reading in batch]
        assert len(kinds) == len(set(kinds))


def test_read_comes_back_at_once(either: Stand) -> None:
    either.source.start()
    for _ in range(6):
        now = either.happen()
        began_s = time.monotonic()
        either.source.read(now)
        assert time.monotonic() - began_s < AT_ONCE_S


def test_read_comes_back_at_once_after_a_day_without_a_look(either: Stand) -> None:
    last, _ = watch(either)[-1]
    began_s = time.monotonic()
    either.source.read(Moment(last.line_s + 86400.0, last.utc_s + 86400.0))
    assert time.monotonic() - began_s < AT_ONCE_S


def test_read_does_not_raise_before_start_or_after_close(either: Stand) -> None:
    now = Moment(0.0, START_UTC_S)
    either.source.read(now)
    either.source.start()
    either.source.read(either.happen())
    either.source.close()
    either.source.read(Moment(1e6, START_UTC_S + 1e6))


def test_a_wall_clock_that_steps_changes_nothing(stand: Stand) -> None:
    stand.source.start()
    for step_s in (0.0, 30 * 86400.0, -30 * 86400.0):
        now = stand.happen()
        stepped = Moment(now.line_s, now.utc_s + step_s)
        for reading in stand.source.read(stepped):
            assert reading.quality is Quality.GOOD


def test_health_is_one_line_at_every_stage(either: Stand) -> None:
    now = Moment(0.0, START_UTC_S)
    stages = [either.source.health(now)]
    last, _ = watch(either)[-1]
    stages.append(either.source.health(last))
    either.source.close()
    stages.append(either.source.health(last))
    for health in stages:
        for text in (health.part, health.line):
            assert len(text.splitlines()) == 1
        assert len(health.remedy.splitlines()) <= 1
        assert health.working or health.remedy


def test_a_source_that_is_well_says_so(stand: Stand) -> None:
    last, _ = watch(stand)[-1]
    assert stand.source.health(last).working


def test_close_is_harmless_twice_and_without_start(either: Stand) -> None:
    either.source.close()
    watch(either, looks=1)
    either.source.close()
    either.source.close()
