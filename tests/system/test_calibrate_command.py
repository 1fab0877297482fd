"""`canister calibrate`: the bucket test from the command line, given whole or led through.

Sources of the worked example: JCGM 100:2008 (GUM), ISO 4185:1980.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from monitor.errors import SensorError
from monitor.records import Moment, PulseReading, Reading
from monitor.runtime.lock import DaemonLock
from tests.support.commands import fields, refusal, run

EXAMPLES = Path(__file__).resolve().parents[2] / "deploy" / "examples"
PLANTED, PAIR = str(EXAMPLES / "planted.toml"), str(EXAMPLES / "pair.toml")


def test_one_bucket_of_the_worked_example() -> None:
    """JCGM 100:2008 (GUM), ISO 4185:1980: 9.000 kg at 25 °C and 4100 pulses are 453.73 1/L."""
    words = ["calibrate", "--config", PLANTED, "--bucket", "9.000:4100", "--temperature", "25"]
    found = fields(*words)
    assert found["pulses_per_litre"] == pytest.approx(453.73, abs=0.01)
    assert found["filter"] == "planted"
    assert found["configured"] == 450.0
    budget = {row["source"]: row["share"] for row in found["budget"]}
    assert budget["scale"] == pytest.approx(0.00068, abs=5e-6)
    said = run(*words).stdout
    assert "453.7 pulses per litre" in said
    assert f"±{found['expanded_uncertainty']:.2%} (k = 2)" in said
    assert "filters.planted.flow_sensor.pulses_per_litre = 453.7" in said
    assert all(remark in said for remark in found["remarks"])


def test_several_buckets() -> None:
    buckets = ["9.000:4100", "8.950:4071", "9.100:4150"]
    options = [word for bucket in buckets for word in ("--bucket", bucket)]
    found = fields("calibrate", "east", "--config", PAIR, *options)
    assert len(found["each"]) == 3
    assert found["pulses_per_litre"] == pytest.approx(sum(found["each"]) / 3, abs=0.01)
    assert found["remarks"] == []
    assert found["expanded_uncertainty"] < 0.01


def test_the_usual_water_of_the_tank_is_taken() -> None:
    """Sea water, 35 g/kg at 26 °C, is 1022.92 kg/m³ (TEOS-10, between its 25 and 30 °C)."""
    found = fields("calibrate", "--config", str(EXAMPLES / "marine.toml"), "--bucket", "9.2:4100")
    volume = 9.2 * (1 + 1.2 * (1 / 1022.92 - 1 / 8000)) / 1.02292
    assert found["pulses_per_litre"] == pytest.approx(4100 / volume, rel=3e-4)


def test_a_scale_of_ones_own() -> None:
    """±1 g and steps of 0.5 g are a tenth of the example's 0.068 %."""
    options = ["--bucket", "9:4100", "--scale-error", "1", "--scale-step", "0.5"]
    found = fields("calibrate", "--config", PLANTED, *options)
    budget = {row["source"]: row["share"] for row in found["budget"]}
    assert budget["scale"] == pytest.approx(0.000068, abs=1e-6)


@pytest.mark.parametrize(
    "bucket", ["9.000", "9.000:", ":4100", "9,000:4100", "9.000:4100.5", "nine:4100", "9 4100", ""]
)
def test_a_bucket_that_is_not_understood(bucket: str) -> None:
    line = refusal(run("calibrate", "--config", PLANTED, "--bucket", bucket))
    assert line == (
        f"canister: --bucket {bucket}: expected kilograms and pulses, such as 9.000:4100"
    )


@pytest.mark.parametrize("bucket", ["0:4100", "-9:4100", "nan:4100", "inf:4100", "9:0", "9:-1"])
def test_an_impossible_bucket(bucket: str) -> None:
    line = refusal(run("calibrate", "--config", PLANTED, "--bucket", "9:4100", "--bucket", bucket))
    assert line.startswith("canister: bucket 2: ")
    assert "expected 0.05 to 1000 kg of water and at least one pulse" in line


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--config", PAIR], "name the filter; known here: west, east"),
        (["est", "--config", PAIR], "no filter est; the nearest known is "),
    ],
)
def test_which_sensor_must_be_plain(words: list[str], said: str) -> None:
    assert said in refusal(run("calibrate", *words, "--bucket", "9:4100"))


class NoPins:
    """A machine without a board."""

    def __init__(self, pins: Any) -> None:
        self.pins = pins

    def start(self) -> None:
        raise SensorError("no GPIO chip")


class CountingPins(NoPins):
    """A board whose sensor gives so many pulses between two looks."""

    closed = False

    def start(self) -> None:
        self.left = [0, 4100, 0, 4120]

    def read(self, now: Moment) -> tuple[Reading, ...]:
        return (PulseReading("planted", 1.0, self.left.pop(0)),)

    def close(self) -> None:
        type(self).closed = True


@pytest.fixture
def journal_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "state"
    folder.mkdir()
    monkeypatch.setenv("CANISTER_STORAGE__FOLDER", str(folder))
    return folder


LED = ("calibrate", "--config", PLANTED, "--temperature", "25")


def test_led_through_five_buckets_without_pins(
    monkeypatch: pytest.MonkeyPatch, journal_folder: Path
) -> None:
    monkeypatch.setattr("monitor.sensing.gpio.PulsePins", NoPins)
    pulses = [4100, 4080, 4120, 4090, 4110]
    typed = "".join(f"{n}\n9.000\n{'y' if n != 4110 else 'n'}\n" for n in pulses)
    done = run(*LED, typed=typed)
    assert done.exit_code == 0, done.output
    assert "Switch off and unplug the filter, with dry hands" in done.stdout
    assert "The pulses cannot be counted here (no GPIO chip)" in done.stdout
    assert "Bucket 5: mass of the water, kg" in done.stdout
    assert "453.7 pulses per litre" in done.stdout  # the mean of the five is 4100
    assert "Three buckets or more" not in done.stdout


def test_three_buckets_are_asked_for_unless_told_otherwise(
    monkeypatch: pytest.MonkeyPatch, journal_folder: Path
) -> None:
    """Enter goes on after the first and the second bucket, and ends after the third."""
    monkeypatch.setattr("monitor.sensing.gpio.PulsePins", NoPins)
    done = run(*LED, typed="4100\n9\n\n" * 3)
    assert done.exit_code == 0, done.output
    assert "Each bucket: 453.7, 453.7, 453.7" in done.stdout


def test_a_slip_of_the_keys_is_asked_again(
    monkeypatch: pytest.MonkeyPatch, journal_folder: Path
) -> None:
    monkeypatch.setattr("monitor.sensing.gpio.PulsePins", NoPins)
    done = run(*LED, typed="many\n4100\nheavy\n9.000\nn\n")
    assert done.exit_code == 0, done.output
    assert "453.7 pulses per litre" in done.stdout


def test_led_into_an_impossible_bucket(
    monkeypatch: pytest.MonkeyPatch, journal_folder: Path
) -> None:
    monkeypatch.setattr("monitor.sensing.gpio.PulsePins", NoPins)
    done = run(*LED, typed="4100\n-9\nn\n")
    assert done.exit_code == 2
    assert "canister: bucket 1: -9 kg and 4100 pulses: expected" in done.stderr


def test_pulses_are_counted_where_there_are_pins(
    monkeypatch: pytest.MonkeyPatch, journal_folder: Path
) -> None:
    monkeypatch.setattr("monitor.sensing.gpio.PulsePins", CountingPins)
    done = run(*LED, typed="\n\n9.000\ny\n\n\n9.000\nn\n")
    assert done.exit_code == 0, done.output
    assert "4100 pulses" in done.stdout
    assert "4120 pulses" in done.stdout
    assert "454.8 pulses per litre" in done.stdout  # 4110 pulses of 9.0361 L
    assert CountingPins.closed


def test_a_running_daemon_keeps_its_sensor(
    monkeypatch: pytest.MonkeyPatch, journal_folder: Path
) -> None:
    monkeypatch.setattr("monitor.sensing.gpio.PulsePins", CountingPins)
    lock = DaemonLock(journal_folder)
    lock.take()
    try:
        done = run(*LED, typed="4100\n9\nn\n")
    finally:
        lock.release()
    assert "canister run holds the sensor" in done.stdout
    assert "453.7 pulses per litre" in done.stdout
