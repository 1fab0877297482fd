"""The bench on real port code: gpiozero's mock pins, a folder for the 1-Wire bus; and the rig's."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from monitor.app.commission.bench import BoardBench, RigBench, bench_for
from monitor.errors import SensorError
from monitor.runtime.lock import DaemonLock
from monitor.settings.load import load
from monitor.settings.model import SettingsTree

PROBE = "28-0123456789ab"
TEXT = """
[site]
id = "test"
source = "{source}"
[rig]
faults = {faults}
[storage]
folder = "{folder}"
[filters.left]
flow_sensor = {{ pin = 17 }}
probe = {{ rom_id = "28-0123456789ab" }}
pump = {{ rated_flow_l_per_h = 1000, max_head_m = 1.5 }}
[filters.left.hoses.both]
bore_mm = 16
length_m = 3
"""


def tree(folder: Path, source: str, faults: str = "[]") -> SettingsTree:
    file = folder / "canister.toml"
    file.write_text(TEXT.format(source=source, folder=folder, faults=faults))
    return load(file).tree


@pytest.fixture
def factory(monkeypatch: pytest.MonkeyPatch) -> Iterator[MockFactory]:
    """Pins whose clock is the mock's own; the same factory is given at each start."""
    found = MockFactory()
    monkeypatch.setattr("monitor.sensing.gpio.header_factory", lambda: found)
    yield found
    found.reset()


def turning(factory: MockFactory, pulses: int) -> tuple[Callable[[float], None], list[float]]:
    """A sleep during which the rotor gives so many pulses, and the time it has come to."""
    line_s = [0.0]

    def sleep(seconds: float) -> None:
        line_s[0] += seconds
        pin = factory.pin(17)
        for _ in range(pulses):
            time.sleep(0.005)  # the mock stamps by the real clock; 225 Hz is the sensor's fastest
            pin.drive_low()
            pin.drive_high()

    return sleep, line_s


def test_pulses_are_counted_on_the_real_pins(tmp_path: Path, factory: MockFactory) -> None:
    sleep, line_s = turning(factory, 1)
    bench = BoardBench(tree(tmp_path, "pins"), sleep, lambda: line_s[0])
    readings = bench.count("left", 5)
    assert [r.pulses for r in readings] == [1] * 5
    assert [r.span_s for r in readings] == [1.0] * 5
    assert [r.pulses for r in bench.count("left", 3)] == [1] * 3  # the pin was given back


def test_a_bucket_is_counted_between_two_words(tmp_path: Path, factory: MockFactory) -> None:
    sleep, line_s = turning(factory, 1)
    bench = BoardBench(tree(tmp_path, "pins"), sleep, lambda: line_s[0])
    bench.start_bucket("left")
    for _ in range(4):
        sleep(1.0)
    assert bench.stop_bucket("left") == (4, None)
    bench.close()
    bench.close()


def test_a_running_daemon_keeps_its_sensor(tmp_path: Path, factory: MockFactory) -> None:
    bench = BoardBench(tree(tmp_path, "pins"), lambda _: None)
    lock = DaemonLock(tmp_path)
    lock.take()
    try:
        with pytest.raises(SensorError, match="systemctl stop canister-monitor"):
            bench.count("left", 1)
    finally:
        lock.release()


def test_probes_on_the_bus_are_watched(tmp_path: Path) -> None:
    """25.0625 °C and 10.125 °C are 0191h and 00A2h in the data sheet of the DS18B20."""
    bus = tmp_path / "bus"
    warm = "91 01 4b 46 7f ff 0c 10 70 : crc=70 YES\n91 01 4b 46 7f ff 0c 10 70 t=25062\n"
    cool = "a2 00 4b 46 7f ff 0e 10 d8 : crc=d8 YES\na2 00 4b 46 7f ff 0e 10 d8 t=10125\n"
    for rom_id, text in ((PROBE, warm), ("28-00000a1b2c3d", cool)):
        (bus / rom_id).mkdir(parents=True)
        (bus / rom_id / "w1_slave").write_text(text)
    bench = BoardBench(tree(tmp_path, "pins"), lambda _: time.sleep(0.05), one_wire=bus)
    assert bench.probes() == ("28-00000a1b2c3d", PROBE)
    before, after = bench.warm("left", 5)
    assert before == after == {PROBE: 25.0625, "28-00000a1b2c3d": 10.125}
    assert BoardBench(tree(tmp_path, "pins"), one_wire=tmp_path / "none").probes() == ()


def test_the_rig_obeys_the_plug_and_does_not_wait(tmp_path: Path) -> None:
    bench = bench_for(tree(tmp_path, "rig"))
    assert isinstance(bench, RigBench)
    bench.plug("left", False)
    assert sum(r.pulses for r in bench.count("left", 30)) == 0
    bench.plug("left", True)
    running = bench.count("left", 30)
    assert len(running) == 30
    assert min(r.pulses for r in running) > 0


def test_the_simulated_bucket_weighs_what_ran(tmp_path: Path) -> None:
    """The rig's sensor gives 450 pulses a litre; a litre at 25 °C weighs 0.996 kg in air."""
    bench = bench_for(tree(tmp_path, "rig"))
    bench.start_bucket("left")
    pulses, mass_kg = bench.stop_bucket("left")
    assert mass_kg is not None
    assert pulses / (mass_kg / 0.996) == pytest.approx(450, rel=0.02)


def test_the_simulated_hand_warms_one_probe(tmp_path: Path) -> None:
    bench = bench_for(tree(tmp_path, "rig"))
    assert bench.probes() == (PROBE,)
    before, after = bench.warm("left", 60)
    assert after[PROBE] - before[PROBE] > 3
    gone = bench_for(tree(tmp_path, "rig", '["probe-gone@0s"]'))
    assert gone.warm("left", 60) == ({}, {})


def test_faults_of_the_rig_come_and_go_while_it_counts(tmp_path: Path) -> None:
    bench = bench_for(tree(tmp_path, "rig", '["mains-hum@0s+30s"]'))
    bench.plug("left", False)
    rates = [sum(r.pulses for r in bench.count("left", 30)) / 30 for _ in itertools.repeat(0, 2)]
    assert rates[0] == pytest.approx(50, abs=0.1)
    assert rates[1] == 0
