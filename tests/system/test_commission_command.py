"""`canister commission`: the whole walk on the rig from a pipe, left, resumed, failing, and its sheet."""

from __future__ import annotations

import json
import shlex
import signal
import subprocess
import sys
import time
import tomllib
from html.parser import HTMLParser
from pathlib import Path

import pytest
from typer.testing import Result

from monitor.fleet.bundle import Bundle, written
from monitor.journal.store import Journal
from monitor.settings.load import load
from tests.conftest import Command, Mosquitto, until
from tests.support.commands import run
from tests.system.test_daemon import ready

TEXT = """\
# my own notes stay
[site]
id = "test_room"
name = "Room <1> & more"
source = "rig"
[rig]
faults = {faults}
[storage]
folder = "{folder}/state"
live_file = ""
{more}
[filters.left]  # the left one
flow_sensor = {{ pin = 17, bore_mm = 16 }}
probe = {{ rom_id = "28-0123456789ab" }}
pump = {{ rated_flow_l_per_h = 1000, max_head_m = 1.5 }}
[filters.left.hoses.both]
bore_mm = 16
length_m = 3
"""
CAUTIONS = ["", "Ada", "y"]
STILL, RUNNING, PROBE = [""], [""], [""]
BUCKET = ["", "", "9.53", "", "", "9.53", "", "", "9.53", ""]  # as the simulated scale shows
FLOW = [""]
LIMITS = ["", "70", "20", "12", "22", "28"]
REMINDERS = ["", "2026-11-20", "", "y", "2026-11-21", "2026-11-22"]
WRITE = ["", "y"]
SKIP_ALARM = ["s"]
WHOLE = [*CAUTIONS, *STILL, *RUNNING, *PROBE, *BUCKET, *FLOW, *LIMITS, *REMINDERS, *WRITE]


def settings(folder: Path, faults: str = "[]", more: str = "") -> Path:
    file = folder / "canister.toml"
    file.write_text(TEXT.format(folder=folder, faults=faults, more=more), encoding="utf-8")
    return file


def walked(file: Path, *answers: str, restart: bool = False) -> Result:
    words = ["commission", "--config", str(file)] + (["--restart"] if restart else [])
    return run(*words, typed="".join(f"{answer}\n" for answer in answers))


def sheets(folder: Path) -> tuple[str, str]:
    """The text and the page of the one walk."""
    (text,) = (folder / "state").glob("commissioning-*.txt")
    return text.read_text(), text.with_suffix(".html").read_text()


def outcomes(folder: Path) -> dict[str, str]:
    kept = json.loads((folder / "state" / "commissioning.json").read_bytes())
    return {name: done["judged"]["outcome"] for name, done in kept["done"].items()}


def test_the_whole_walk(tmp_path: Path) -> None:
    file = settings(tmp_path)
    old = file.read_text()
    done = walked(file, *WHOLE, *SKIP_ALARM)
    assert done.exit_code == 0, done.output
    assert "SIMULATED" in done.stdout
    assert "10 steps: 9 passed, 1 skipped." in done.stdout
    assert outcomes(tmp_path)["alarm"] == "skipped"
    new = file.read_text()
    assert "# my own notes stay" in new
    assert "# the left one" in new
    (copy,) = tmp_path.glob("canister.toml.*")
    assert copy.read_text() == old
    one = load(file).tree.filters["left"]
    # The rig's sensor gives 450 pulses a litre and wanders by about one per cent.
    assert one.flow_sensor.pulses_per_litre == pytest.approx(450, rel=0.02)
    assert one.flow_sensor.error_percent < 1
    assert one.limits.cleaning_due_share == 0.7
    assert one.limits.flow_stopped_hold_s == 12
    assert (one.tank.min_c, one.tank.max_c) == (22, 28)
    assert one.measured is not None
    assert one.measured.flows_l_per_h[0] == pytest.approx(760, rel=0.05)
    assert str(one.reminders.carbon_fitted) == "2026-11-21"
    checked = run("check", "--config", str(file))
    assert checked.exit_code == 0, checked.output


def test_the_walk_in_us_units_asks_and_shows_them_and_keeps_the_file_metric(
    tmp_path: Path,
) -> None:
    file = settings(tmp_path)
    file.write_text(file.read_text().replace('source = "rig"', 'source = "rig"\nunits = "us"'))
    # 9.53 kg are 21.01 lb; 72 °F are 22.222 °C and 82 °F are 27.778 °C.
    bucket = [x if x != "9.53" else "21.01" for x in BUCKET]
    limits = [*LIMITS[:4], "72", "82"]
    done = walked(file, *CAUTIONS, *STILL, *RUNNING, *PROBE, *bucket, *FLOW, *limits, *REMINDERS,
                  *WRITE, *SKIP_ALARM)  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "10 steps: 9 passed, 1 skipped." in done.stdout
    assert "mass of the water, lb" in done.stdout
    assert "the simulated scale shows 21.0" in done.stdout
    text, page = sheets(tmp_path)
    for shown in (done.stdout, text, page):
        assert "gal/h" in shown
        assert "L/h" not in shown
        assert "°C" not in shown
        assert " kg" not in shown
    assert "water temperature: 72 to 82 °F" in text
    one = load(file).tree.filters["left"]
    assert one.flow_sensor.pulses_per_litre == pytest.approx(450, rel=0.02)
    assert (one.tank.min_c, one.tank.max_c) == (22.222, 27.778)
    assert one.measured is not None
    assert one.measured.flows_l_per_h[0] == pytest.approx(760, rel=0.05)


def test_the_sheet_says_it_all_and_is_a_sound_page(tmp_path: Path) -> None:
    walked(settings(tmp_path), *WHOLE, *SKIP_ALARM)
    text, page = sheets(tmp_path)
    for part in ("SIMULATED", "by            Ada", "[passed] left: bucket test", "(k = 2)",
                 "clean flow predicted:", "plausible for a measurement", "each bucket:",
                 "cleaning due below: 70 % of clean flow", "flow stopped below: 20 % for 12 s",
                 "leave the UV lamp off until", "take out or replace the carbon, due 2026-12-21",
                 "look at the seals and grease them, due 2027-11-22", "[skipped] Test alarm"):  # fmt: skip
        assert part in text
    assert "Room &lt;1&gt; &amp; more" in page
    assert "<script" not in page
    assert "http" not in page
    checker = _Balanced()
    checker.feed(page)
    checker.close()
    assert checker.open == []
    assert checker.seen["section"] == 11
    shown = " ".join(" ".join(checker.text).split())
    for line in text.splitlines():
        if line.startswith("    ") and ": " not in line and "seals" not in line:
            assert line.strip() in shown


class _Balanced(HTMLParser):
    """Every element that is opened is closed, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: dict[str, int] = {}
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.seen[tag] = self.seen.get(tag, 0) + 1
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_status_says_what_is_due(tmp_path: Path) -> None:
    file = settings(tmp_path)
    walked(file, *WHOLE, *SKIP_ALARM)
    Journal(tmp_path / "state").close()
    status = run("status", "--config", str(file))
    assert status.exit_code == 0, status.output
    assert "reminder: left: leave the UV lamp off until " in status.stdout
    rows = run("status", "--config", str(file), "--json").stdout.splitlines()
    assert any("UV lamp off" in words for words in json.loads(rows[-1])["reminders"])


def test_left_and_resumed_where_it_was(tmp_path: Path) -> None:
    file = settings(tmp_path)
    first = walked(file, *CAUTIONS, *STILL, *RUNNING, "q")
    assert first.exit_code == 0
    assert "Left. `canister commission` goes on here." in first.stdout
    assert sheets(tmp_path)[0].count("[not done yet]") == 7
    cut = walked(file, *PROBE, "", "", "9.53")  # the pipe ends in the middle of the bucket test
    assert cut.exit_code == 1
    assert "Step 4 of 10" in cut.stdout
    assert "Step 3 of 10" not in cut.stdout
    assert "Broken off" in cut.stdout
    assert "left/bucket" not in outcomes(tmp_path)
    last = walked(file, *BUCKET, *FLOW, *LIMITS, *REMINDERS, *WRITE, *SKIP_ALARM)
    assert last.exit_code == 0, last.output
    assert "Step 5 of 10" in last.stdout
    assert "Step 4 of 10" not in last.stdout
    assert "10 steps: 9 passed, 1 skipped." in last.stdout
    assert "by            Ada" in sheets(tmp_path)[0]


def test_a_bundle_is_taken_before_the_walk(tmp_path: Path) -> None:
    file = settings(tmp_path)
    bundle = tmp_path / "hall.bundle.toml"
    name = "site-canister-hall"
    given = Bundle("hall", "hub.example.org", 8883, False, "canister", name, name, "invented")
    bundle.write_text(written(given), encoding="utf-8")
    left = run("commission", "--config", str(file), "--bundle", str(bundle), typed="q\n")
    assert left.exit_code == 0, left.output
    tree = load(file).tree
    assert tree.mqtt is not None
    assert (tree.site.id, tree.mqtt.host) == ("hall", "hub.example.org")
    assert "# my own notes stay" in file.read_text()
    bundle.write_text("no bundle", encoding="utf-8")
    wrong = run("commission", "--config", str(file), "--bundle", str(bundle), typed="q\n")
    assert wrong.exit_code == 2
    assert "is not a bundle" in wrong.stderr


def test_restart_begins_anew(tmp_path: Path) -> None:
    file = settings(tmp_path)
    walked(file, *CAUTIONS, *STILL, "q")
    again = walked(file, "q", restart=True)
    assert "Step 1 of 10" in again.stdout
    assert "goes on; --restart" not in again.stdout


def test_a_wire_that_hums_fails_and_is_done_again_until_it_is_mended(tmp_path: Path) -> None:
    file = settings(tmp_path, '["mains-hum@0s+35s"]')
    done = walked(file, *CAUTIONS, "", "", "", "", "", "q")
    assert "FAILED: 50.0 pulses a second without flow: hum of the mains (50 Hz)" in done.stdout
    assert "PASSED: No pulse in 30 s." in done.stdout
    assert outcomes(tmp_path)["left/still"] == "passed"


def test_a_failed_and_a_skipped_step_stand_on_the_sheet_and_are_offered_again(
    tmp_path: Path,
) -> None:
    file = settings(tmp_path, '["jammed-sensor@0s"]')
    done = walked(file, *CAUTIONS, *STILL, "", "s", "s", "q")
    assert "FAILED: No pulse with the pump on." in done.stdout
    assert outcomes(tmp_path) == {
        "cautions": "passed", "left/still": "passed", "left/running": "failed",
        "left/probe": "skipped",
    }  # fmt: skip
    text, page = sheets(tmp_path)
    assert "[failed] left: pulses with the pump on" in text
    assert 'class="verdict failed"' in page
    settings(tmp_path)  # the sensor is mended
    again = walked(file, "y", *RUNNING, *PROBE, "q")
    assert "Skipped or failed: left: pulses with the pump on; left: which probe is it" in again.stdout  # fmt: skip
    assert outcomes(tmp_path)["left/running"] == "passed"
    assert outcomes(tmp_path)["left/probe"] == "passed"
    assert "[failed]" not in sheets(tmp_path)[0]


def test_bad_answers_are_asked_again(tmp_path: Path) -> None:
    file = settings(tmp_path)
    walked(file, *CAUTIONS, "s", "s", "s", "s", "s", "q")
    done = walked(
        file, "n", "what?", "",
        "seventy", "0", "70", "none", "20", "-1", "12", "22", "28",  # limits
        "", "yesterday", "2026-13-01", "none", "none", "today",
        "", "maybe", "n", "s", "s",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    for said in ("what?: not understood", "seventy: expected a number from 1 to 99",
                 "0: expected a number", "none: expected a number", "-1: expected a number",
                 "yesterday: expected a day such as", "2026-13-01: expected a day", "answer y or n",
                 "FAILED: The configuration was not written."):  # fmt: skip
        assert said in done.stdout
    assert "cleaning_due_share" not in file.read_text()


def test_limits_that_contradict_one_another_are_refused_before_anything_is_written(
    tmp_path: Path,
) -> None:
    file = settings(tmp_path)
    walked(file, *CAUTIONS, "s", "s", "s", "s", "s", "q")
    done = walked(file, "n", "", "15", "20", "10", "28", "22", "", "", "", "22", "28", "q")
    assert "Please give them again." in done.stdout
    assert "must lie below" in done.stdout
    assert outcomes(tmp_path)["left/limits"] == "passed"


def test_buckets_that_no_configuration_may_hold_are_refused_at_once(tmp_path: Path) -> None:
    """50 g and a ton for the same pulses: the error is beyond the 100 % that a sensor may have."""
    file = settings(tmp_path)
    walked(file, *CAUTIONS, "s", "s", "s", "q")
    done = walked(file, "n", "", "", "0.05", "", "", "1000", "n", "q")
    assert "FAILED: " in done.stdout
    assert "filters.left.flow_sensor.error_percent" in done.stdout
    assert "left/bucket" not in outcomes(tmp_path)


def test_two_filters_have_a_probe_each(tmp_path: Path) -> None:
    file = settings(tmp_path)
    text = file.read_text()
    second = text[text.index("[filters.left]") :].replace("left", "right")
    second = second.replace("pin = 17", "pin = 27").replace("0123456789ab", "0123456789cd")
    file.write_text(text + second)
    skip = ["s", "s"]
    done = walked(file, *CAUTIONS, *skip, "", *skip, "s", "s", *skip, "", "q")
    assert done.stdout.count("it is this filter's") == 2
    assert "28-0123456789cd warmed" in done.stdout


def test_a_first_configuration_where_there_is_none(tmp_path: Path) -> None:
    file = tmp_path / "new.toml"
    state = {"CANISTER_STORAGE__FOLDER": str(tmp_path / "state")}
    answers = ["Fish Room", "", "rig", "left", "17", "1000", "1.5", "16", "3", "180",
               "fish_room", "My room", "rig", "left", "17", "1000", "1.5", "16", "3", "180", "q"]  # fmt: skip
    done = run(
        "commission", "--config", str(file), typed="".join(f"{a}\n" for a in answers), **state
    )
    assert done.exit_code == 0, done.output
    assert "Please answer once more." in done.stdout
    assert "Step 1 of 10" in done.stdout
    read = tomllib.loads(file.read_text())
    assert read["site"] == {"id": "fish_room", "name": "My room", "source": "rig"}
    assert read["filters"]["left"]["pump"] == {"rated_flow_l_per_h": 1000, "max_head_m": 1.5}
    checked = run("check", "--config", str(file), **state)
    assert checked.exit_code == 0, checked.output


def test_left_before_there_is_a_configuration(tmp_path: Path) -> None:
    file = tmp_path / "new.toml"
    done = run("commission", "--config", str(file), typed="room\nq\n")
    assert done.exit_code == 0
    assert "nothing was written" in done.stdout
    assert not file.exists()


def test_a_bucket_test_done_later_asks_for_the_flow_again(tmp_path: Path) -> None:
    file = settings(tmp_path)
    walked(file, *CAUTIONS, "s", "s", "s", "s", *FLOW, "q")
    assert outcomes(tmp_path)["left/flow"] == "passed"
    again = walked(file, "y", "s", "s", "s", *BUCKET, "q")
    assert "Step 6 of 10" in again.stdout
    assert "left/flow" not in outcomes(tmp_path)


def test_ctrl_c_leaves_and_what_was_found_is_kept(tmp_path: Path) -> None:
    file = settings(tmp_path)
    walked(file, *CAUTIONS, *STILL, "q")
    child = subprocess.Popen(
        [sys.executable, "-u", "-m", "monitor", "commission", "--config", str(file)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert child.stdout is not None
    while "Plug the filter in" not in child.stdout.readline():
        assert child.poll() is None
    time.sleep(0.3)  # it has come to its question
    child.send_signal(signal.SIGINT)
    said, errors = child.communicate(timeout=30)
    assert child.returncode == 1
    assert "Broken off" in said
    assert "Traceback" not in errors
    assert outcomes(tmp_path) == {"cautions": "passed", "left/still": "passed"}


def test_without_a_board_the_step_says_so_and_can_wait(tmp_path: Path) -> None:
    file = settings(tmp_path)
    file.write_text(file.read_text().replace('source = "rig"', 'source = "pins"'))
    done = walked(file, *CAUTIONS, "", "q")
    assert "FAILED: GPIO chip" in done.stdout
    assert done.exit_code == 0


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"{", "is not a walk that was left"),
        (
            b'{"config": "/elsewhere.toml", "began": "2026-11-25T13:06:00+00:00"}',
            "is of /elsewhere",
        ),
        (b'{"config": "x", "began": "x", "version": 99}', "another version"),
    ],
)
def test_a_state_that_cannot_be_gone_on_with(tmp_path: Path, body: bytes, said: str) -> None:
    file = settings(tmp_path)
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "commissioning.json").write_bytes(body)
    done = walked(file, "q")
    assert done.exit_code == 2
    assert said in done.stderr
    assert "--restart" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert walked(file, "q", restart=True).exit_code == 0


def test_where_this_user_may_not_write_an_administrator_is_told_how(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The line that is said is run as it stands, but for sudo."""
    monkeypatch.setattr("monitor.app.commission.paper.writable", lambda _file: False)
    file = settings(tmp_path)
    file.chmod(0o640)
    old = file.read_text()
    done = walked(file, *WHOLE, "", "q")
    assert "is still the old one" in done.stdout
    assert file.read_text() == old
    ready_made = tmp_path / "state" / "canister.toml.commissioned"
    assert ready_made.stat().st_mode & 0o777 == 0o600
    (line,) = (x for x in done.stdout.splitlines() if x.startswith("  sudo install -b -S ."))
    subprocess.run(shlex.split(line)[1:], check=True, timeout=10)
    assert load(file).tree.filters["left"].limits.cleaning_due_share == 0.7
    assert file.stat().st_mode & 0o777 == 0o640
    (copy,) = tmp_path.glob("canister.toml.2*")
    assert copy.read_text() == old
    last = walked(file, "", "q")
    assert "already says all of it" in last.stdout
    assert outcomes(tmp_path)["configuration"] == "passed"
    assert not ready_made.exists()


def test_the_test_alarm_must_arrive(
    canister: type[Command], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    broker = f'[mqtt]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    file = settings(tmp_path, more=broker)
    done = walked(file, *CAUTIONS, *["s"] * 7, "s", "", "q")
    assert "FAILED: canister run is not running" in done.stdout
    daemon = canister("run", "--config", str(file))
    assert ready(daemon), daemon.errors
    seen = walked(file, "n", "", "y")
    assert seen.exit_code == 0, seen.output
    assert "mqtt: taken after " in seen.stdout
    assert "PASSED: The test alarm arrived." in seen.stdout
    assert outcomes(tmp_path)["alarm"] == "passed"
    assert "mqtt: taken after" in sheets(tmp_path)[0]

    def ended() -> bool:
        status = canister("status", "--config", str(file))
        return status.wait() == 0 and "test: cleared" in status.output

    assert until(ended, 15)
    assert daemon.stop() == 0
