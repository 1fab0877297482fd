"""`canister wiring`: pictures, figures and warnings for the user's own configuration."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.support.commands import FILTER, fields, refusal, run

EXAMPLE = str(Path(__file__).resolve().parents[2] / "deploy" / "examples" / "wiring.toml")


@pytest.fixture
def own(tmp_path: Path) -> str:
    """A configuration with one filter on pin 17 whose output nobody has measured."""
    file = tmp_path / "own.toml"
    file.write_text(FILTER, encoding="utf-8")
    return str(file)


def test_it_draws_the_users_own_pins(own: str) -> None:
    done = run("wiring", "--config", own)
    assert done.exit_code == 0
    assert "11 GPIO17" in done.stdout
    assert "GPIO17 left 11 ●" in done.stdout
    assert "Temperature probe" not in done.stdout  # this filter has none
    moved = run("wiring", "--config", own, CANISTER_FILTERS__LEFT__FLOW_SENSOR__PIN="26")
    assert "37 GPIO26" in moved.stdout


def test_an_unmeasured_output_is_said_and_kept_from_the_pin(own: str) -> None:
    done = fields("wiring", "--config", own)
    assert done["circuit"] == "opto-coupler"
    assert "measure it first" in done["warnings"][0]
    measured = {"CANISTER_FILTERS__LEFT__FLOW_SENSOR__OUTPUT": "open-collector"}
    again = json.loads(run("wiring", "--config", own, "--json", **measured).stdout)
    assert (again["circuit"], again["warnings"]) == ("pull-up", [])


def test_one_filter_of_several() -> None:
    done = run("wiring", "middle", "--config", EXAMPLE)
    assert "drives 5 V" in done.stdout
    assert "Sensor left" not in done.stdout
    assert "GPIO17 left" in done.stdout  # on the header all of them
    assert "Temperature probe" not in done.stdout
    assert "Temperature probe" in run("wiring", "left", "--config", EXAMPLE).stdout


def test_a_picture_into_a_file_or_to_standard_output(tmp_path: Path) -> None:
    file = tmp_path / "wiring.svg"
    assert run("wiring", "--config", EXAMPLE, "--svg", str(file)).exit_code == 0
    drawn = file.read_text(encoding="utf-8")
    assert run("wiring", "--config", EXAMPLE, "--svg", "-").stdout == drawn
    words = [
        text.text for text in ElementTree.fromstring(drawn).iter("{http://www.w3.org/2000/svg}text")
    ]
    assert {"GPIO17", "GPIO27", "GPIO22", "GPIO4"} <= set(words)


def test_a_folder_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    done = run("wiring", "--config", EXAMPLE, "--svg", str(tmp_path / "none" / "x.svg"))
    assert done.exit_code == 1
    assert done.stderr.startswith("canister: --svg ")
    assert len(done.stderr.strip().splitlines()) == 1


def test_two_things_for_standard_output_are_one_line() -> None:
    assert "give --svg a file" in refusal(run("wiring", "-c", EXAMPLE, "--json", "--svg", "-"))


def test_an_unknown_filter_is_one_line() -> None:
    assert "filter midle: unknown; the nearest known is middle" in refusal(
        run("wiring", "midle", "--config", EXAMPLE)
    )


def test_a_wrong_output_is_one_line(own: str) -> None:
    line = refusal(run("wiring", "--config", own, CANISTER_FILTERS__LEFT__FLOW_SENSOR__OUTPUT="5v"))
    assert "open-collector" in line


def test_a_sensor_on_the_probes_pin_is_said(own: str) -> None:
    probe = {"CANISTER_FILTERS__LEFT__PROBE__ROM_ID": "28-00000a1b2c09"}
    pin = {"CANISTER_FILTERS__LEFT__FLOW_SENSOR__PIN": "4"}
    assert "GPIO4 is the probe's" in run("wiring", "--config", own, **pin, **probe).stdout
    other = run("wiring", "--config", own, "--probe-pin", "5", **pin, **probe).stdout
    assert "is the probe's" not in other
    assert "GPIO5 probe" in other
