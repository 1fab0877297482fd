"""`canister check` on machines with one thing wrong: a line, and what to do about it."""

from __future__ import annotations

import logging
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from monitor.app import checks, checks_sensors
from monitor.app.checks import findings
from monitor.app.daemon import Daemon
from monitor.app.finding import Finding, Verdict
from monitor.journal.store import Journal
from monitor.records import Moment
from monitor.runtime.lock import DaemonLock
from monitor.sensing import board, gpio
from monitor.sensing.board import Board
from monitor.sensing.probe import Probes
from monitor.settings.model import SettingsTree
from tests.support.chips import Chips

ROM_ID = "28-00000a1b2c3d"
# 25.0625 °C in the data sheet of the DS18B20.
GOOD = "91 01 4b 46 7f ff 0c 10 70 : crc=70 YES\n91 01 4b 46 7f ff 0c 10 70 t=25062\n"


class Machine:
    """A board in a folder, whole until something is taken away."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        self.bus = folder / "w1"
        self.supply = folder / "hwmon/hwmon0"
        self.boot = folder / "config.txt"
        self.supply.mkdir(parents=True)
        (self.supply / "name").write_text("rpi_volt\n", encoding="ascii")
        (self.supply / "in0_lcrit_alarm").write_text("0\n", encoding="ascii")
        (self.bus / ROM_ID).mkdir(parents=True)
        (self.bus / ROM_ID / "w1_slave").write_text(GOOD, encoding="ascii")
        self.chips = Chips({0: "pinctrl-bcm2711"}, {})
        (folder / "gpiochip0").touch()
        monkeypatch.setitem(sys.modules, "lgpio", self.chips)
        monkeypatch.setattr(gpio, "_DEVICES", folder)
        monkeypatch.setattr(gpio, "_factory", lambda _chip: NoFactory())
        monkeypatch.setattr(checks_sensors, "_ONE_WIRE", self.bus)
        under = board.under_voltage
        remedy = board.overlay_remedy
        monkeypatch.setattr(checks, "under_voltage", lambda: under(folder / "hwmon"))
        monkeypatch.setattr(checks_sensors, "overlay_remedy", lambda: remedy((self.boot,)))
        pin = board.one_wire_pin
        monkeypatch.setattr(checks_sensors, "one_wire_pin", lambda: pin((self.boot,)))
        self.tree = SettingsTree.model_validate(
            tomllib.loads(
                f"""
                site = {{ id = "invented" }}
                storage = {{ folder = "{folder}/state", live_file = "" }}
                [filters.left]
                flow_sensor = {{ pin = 17, bore_mm = 16 }}
                probe = {{ rom_id = "{ROM_ID}" }}
                """
            )
        )

    def found(self, part: str) -> Finding:
        return next(f for f in findings(self.tree, Path("canister.toml")) if f.part == part)


class NoFactory:
    """What is opened only to be closed again."""

    def close(self) -> None:
        """Nothing is open."""


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    return Machine(tmp_path, monkeypatch)


@pytest.mark.parametrize("part", ["flow sensors", "probe left", "supply"])
def test_a_whole_board_is_fine(machine: Machine, part: str) -> None:
    assert machine.found(part).verdict is Verdict.FINE


def test_the_wrong_group(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    machine.chips.labels[0] = None
    monkeypatch.setattr(gpio.os, "access", lambda *_: False)
    found = machine.found("flow sensors")
    assert found.verdict is Verdict.FAILED
    assert "no permission" in found.line
    assert "sudo usermod -aG gpio" in found.remedy


def test_a_second_program_on_the_pin(machine: Machine) -> None:
    machine.chips.users[17] = "lg"
    found = machine.found("flow sensors")
    assert found.verdict is Verdict.FAILED
    assert "GPIO17 of left by lg" in found.line
    assert "second canister run" in found.remedy


def test_our_own_daemon_on_the_pin_is_no_trouble(machine: Machine) -> None:
    (machine.folder / "state").mkdir()
    lock = DaemonLock(machine.folder / "state")
    lock.take()
    machine.chips.users[17] = "lg"
    try:
        assert machine.found("flow sensors").verdict is Verdict.FINE
    finally:
        lock.release()


def test_a_missing_overlay(machine: Machine) -> None:
    (machine.bus / ROM_ID / "w1_slave").unlink()
    (machine.bus / ROM_ID).rmdir()
    machine.bus.rmdir()
    machine.boot.write_text("[all]\n", encoding="utf-8")
    found = machine.found("probe left")
    assert found.verdict is Verdict.FAILED
    assert f"add dtoverlay=w1-gpio to {machine.boot}" in found.remedy
    machine.boot.write_text("dtoverlay=w1-gpio\n", encoding="utf-8")
    assert "boot again" in machine.found("probe left").remedy


@pytest.mark.parametrize(
    ("boot", "sensor", "leak", "keys"),
    [
        ("", 4, 22, ["filters.left.flow_sensor.pin: GPIO4"]),  # the overlay is still to come
        ("dtoverlay=w1-gpio\n", 17, 4, ["leak.pin: GPIO4"]),
        ("dtoverlay=w1-gpio,gpiopin=17\n", 17, 22, ["filters.left.flow_sensor.pin: GPIO17"]),
        ("dtoverlay=w1-gpio,gpiopin=27\n", 4, 22, []),
        ("dtoverlay=w1-gpio\n", 17, 22, []),
    ],
)
def test_a_pin_that_the_bus_of_the_probes_has(
    machine: Machine, boot: str, sensor: int, leak: int, keys: list[str]
) -> None:
    machine.boot.write_text(boot, encoding="utf-8")
    whole = machine.tree.model_dump(mode="json", exclude_unset=True)
    whole["filters"]["left"]["flow_sensor"]["pin"] = sensor
    whole["leak"] = {"pin": leak}
    machine.tree = SettingsTree.model_validate(whole)
    found = [f for f in findings(machine.tree, Path("canister.toml")) if f.part == "pins"]
    assert [f.line for f in found] == [
        f"{key} is the pin of the probes' 1-Wire bus" for key in keys
    ]
    assert all(
        f.mistake and f.verdict is Verdict.FAILED and "--probe-pin" in f.remedy for f in found
    )


def test_a_probe_that_is_gone(machine: Machine) -> None:
    (machine.bus / ROM_ID).rename(machine.bus / "28-000000000001")
    found = machine.found("probe left")
    assert "does not answer; probes that do: 28-000000000001" in found.line
    assert "cable" in found.remedy
    (machine.bus / "28-000000000001").rename(machine.bus / "00-400000000000")
    assert "pull-up" in machine.found("probe left").remedy


def test_what_was_dropped_or_set_aside_is_told(machine: Machine) -> None:
    journal = Journal(machine.folder / "state")
    with journal.guarded("write", transaction=True) as link:
        link.execute("INSERT INTO counts VALUES ('samples', 2000)")
        link.execute("INSERT INTO aside VALUES ('mqtt', 7, 0.0, 'packet too large')")
    journal.close()
    told = [f for f in findings(machine.tree, Path("canister.toml")) if f.part == "history"]
    assert [f.verdict for f in told] == [Verdict.LOOK] * 2
    assert told[0].line.endswith("below 500 MB: 2000 samples")
    assert told[1].line.startswith("set aside because they could not be taken: 1; ")
    assert told[1].line.endswith("the last is event 7 for mqtt: packet too large")


def test_under_voltage(machine: Machine) -> None:
    (machine.supply / "in0_lcrit_alarm").write_text("1\n", encoding="ascii")
    found = machine.found("supply")
    assert found.verdict is Verdict.FAILED
    assert "under-voltage" in found.line
    assert "supply" in found.remedy


def test_the_daemons_log_tells_the_same_troubles(
    machine: Machine, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Missing bus and weak supply stop nothing; each is one line with its remedy."""
    (machine.supply / "in0_lcrit_alarm").write_text("1\n", encoding="ascii")
    caplog.set_level(logging.WARNING)
    probes: Any = Probes({"left": ROM_ID}, machine.folder / "no bus", every_s=0.01)
    supply = Board(machine.folder / "hwmon")
    daemon = Daemon(machine.tree, {"left": None}, [probes, supply])
    try:
        probes.start()
        for second in range(0, 30, 5):
            daemon._tick(Moment(float(second), 1e9 + second))
    finally:
        daemon._shut()
    # Beside them the alarms that follow, which are the site's.
    told = [t for r in caplog.records if not (t := r.getMessage()).startswith("site: ")]
    assert len([line for line in told if "no 1-Wire bus" in line and "w1-gpio" in line]) == 1, told
    assert len([line for line in told if "under-voltage" in line and "supply" in line]) == 1, told
