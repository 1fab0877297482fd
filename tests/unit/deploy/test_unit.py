"""The shipped service unit, asked of systemd itself; tests/run installs it where it is missing."""

from __future__ import annotations

import configparser
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from monitor.app.daemon import _LOOP_SILENCE_S
from monitor.app.prediction import _WITHIN_S
from monitor.settings.load import DEFAULT_FILE
from monitor.settings.model import StorageSettings
from monitor.settings.web import PageSettings

DEPLOY = Path(__file__).resolve().parents[3] / "deploy"
UNIT = DEPLOY / "canister-monitor.service"
WORST_SCORE = 2.0


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    binary = shutil.which("systemd-analyze")
    if binary is None:
        pytest.fail("systemd-analyze is missing; tests/run installs it")
    return subprocess.run([binary, *arguments], capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def service() -> dict[str, str]:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(UNIT, encoding="utf-8")
    return {**unit["Unit"], **unit["Service"]}


def test_the_security_score_is_low_enough() -> None:
    done = analyze("security", "--offline=true", "--no-pager", str(UNIT))
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) <= WORST_SCORE


def test_the_score_falls_for_the_right_reasons() -> None:
    """What the daemon needs is left open on purpose; nothing else is."""
    done = analyze("security", "--offline=true", "--no-pager", "--json=short", str(UNIT))
    bad = {row["name"] for row in json.loads(done.stdout) if row["set"] is False}
    assert bad <= {
        # the GPIO chips, and reading whether the clock is synchronised
        "PrivateDevices=", "DeviceAllow=", "SupplementaryGroups=", "ProtectClock=",
        "SystemCallFilter=~@clock", "SystemCallFilter=~@privileged", "ProcSubset=",
        # the broker, wherever it is
        "PrivateNetwork=", "IPAddressDeny=", "RestrictAddressFamilies=~AF_(INET|INET6)",
        "RestrictAddressFamilies=~AF_UNIX", "RootDirectory=/RootImage=", "PrivateUsers=", "UMask=",
    }  # fmt: skip


def test_systemd_has_nothing_to_say_against_it(tmp_path: Path) -> None:
    """Only the program is another one: ours is not installed here."""
    copy = tmp_path / UNIT.name
    text = re.sub(r"ExecStart=\S+", "ExecStart=/bin/true", UNIT.read_text(encoding="utf-8"))
    copy.write_text(text, encoding="utf-8")
    done = analyze("verify", str(copy))
    ours = [line for line in (done.stdout + done.stderr).splitlines() if UNIT.name in line]
    assert ours == []
    copy.write_text(text.replace("[Service]", "[Service]\nNonsense=yes"), encoding="utf-8")
    assert "Nonsense" in analyze("verify", str(copy)).stderr


def test_it_is_never_given_up_and_only_work_feeds_it(service: dict[str, str]) -> None:
    assert service["Restart"] == "always"
    assert service["StartLimitIntervalSec"] == "0"
    assert service["Type"] == "notify"
    assert float(service["WatchdogSec"]) > _LOOP_SILENCE_S
    assert float(service["TimeoutStartSec"]) > _WITHIN_S  # READY=1 follows the sizing model
    assert "Requires" not in service
    assert "network" not in service.get("After", "") + service.get("Wants", "")


def test_it_uses_the_places_that_the_settings_name(service: dict[str, str]) -> None:
    storage = StorageSettings()
    assert f"/var/lib/{service['StateDirectory']}" == storage.folder
    assert f"/run/{service['RuntimeDirectory']}" == str(Path(storage.live_file).parent)
    assert service["WorkingDirectory"] == str(Path(storage.live_file).parent)
    assert service["ExecStart"].endswith(f"run --config {DEFAULT_FILE}")
    assert service["User"] not in ("", "root", "0")


def test_the_devices_can_be_reached(service: dict[str, str]) -> None:
    assert service["DeviceAllow"] == "char-gpiochip rw"
    assert service["SupplementaryGroups"] == "gpio"
    for shuts_out in ("PrivateDevices", "ProtectClock", "ProcSubset", "PrivateNetwork"):
        assert shuts_out not in service


def test_the_boards_own_watchdog_is_asked_for_no_more_than_it_can() -> None:
    """15 s is the most that the Raspberry Pi's hardware counts."""
    manager = configparser.ConfigParser()
    manager.read(DEPLOY / "hardware-watchdog.conf", encoding="utf-8")
    assert 0 < manager.getfloat("Manager", "RuntimeWatchdogSec") <= 15


PAGE = DEPLOY / "canister-page.service"


@pytest.fixture(scope="module")
def page() -> dict[str, str]:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(PAGE, encoding="utf-8")
    return {**unit["Unit"], **unit["Service"]}


def test_the_page_is_shut_in_further_than_the_daemon(tmp_path: Path) -> None:
    done = analyze("security", "--offline=true", "--no-pager", str(PAGE))
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) <= WORST_SCORE
    done = analyze("security", "--offline=true", "--no-pager", "--json=short", str(PAGE))
    bad = {row["name"] for row in json.loads(done.stdout) if row["set"] is False}
    assert bad <= {
        # /dev/null and the like, of PrivateDevices=
        "DeviceAllow=",
        # it is there to be reached over the network
        "PrivateNetwork=", "IPAddressDeny=", "RestrictAddressFamilies=~AF_(INET|INET6)",
        "RestrictAddressFamilies=~AF_UNIX", "RootDirectory=/RootImage=", "PrivateUsers=", "UMask=",
    }  # fmt: skip
    copy = tmp_path / PAGE.name
    text = re.sub(r"ExecStart=\S+", "ExecStart=/bin/true", PAGE.read_text(encoding="utf-8"))
    copy.write_text(text, encoding="utf-8")
    done = analyze("verify", str(copy))
    assert [x for x in (done.stdout + done.stderr).splitlines() if PAGE.name in x] == []


def test_the_page_uses_the_places_that_the_settings_name_and_needs_nobody(
    page: dict[str, str], service: dict[str, str]
) -> None:
    assert f"/var/lib/{page['StateDirectory']}" == str(Path(PageSettings().password_file).parent)
    assert page["StateDirectoryMode"] == "0700"
    assert page["ReadWritePaths"] == StorageSettings().folder
    assert page["ExecStart"].endswith(f"page --config {DEFAULT_FILE}")
    assert page["User"] == service["User"]
    assert "Requires" not in page
    assert "Wants" not in page
    assert PageSettings().port >= 1024  # it has no right to a lower one
    assert PageSettings().host == "127.0.0.1"
