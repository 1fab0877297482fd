"""The monthly reports of a hub: its timer and what its unit calls."""

from __future__ import annotations

import re
from pathlib import Path

from typer.main import get_command

from monitor.cli import app
from tests.unit.deploy.test_unit import analyze

FLEET = Path(__file__).resolve().parents[3] / "deploy" / "fleet"


def test_the_timer_starts_its_service_once_a_month(tmp_path: Path) -> None:
    timer = (FLEET / "canister-hub-report.timer").read_text(encoding="utf-8")
    service = (FLEET / "canister-hub-report.service").read_text(encoding="utf-8")
    (tmp_path / "canister-hub-report.timer").write_text(timer, encoding="utf-8")
    (tmp_path / "canister-hub-report.service").write_text(
        re.sub(r"ExecStart=\S+", "ExecStart=/bin/true", service), encoding="utf-8"
    )
    done = analyze("verify", str(tmp_path / "canister-hub-report.timer"))
    said = (done.stdout + done.stderr).splitlines()
    assert [x for x in said if "canister-hub-report" in x and "not found" not in x] == []
    when = re.search(r"OnCalendar=(.*)", timer)
    assert when is not None
    done = analyze("calendar", "--iterations=3", "--base-time=2026-10-15", when[1])
    assert re.findall(r"\d{4}-\d\d-\d\d 06:00:00", done.stdout) == [
        f"2026-{month:02}-01 06:00:00" for month in (11, 12)
    ] + ["2027-01-01 06:00:00"]


def test_what_the_report_unit_calls_is_a_command() -> None:
    service = (FLEET / "canister-hub-report.service").read_text(encoding="utf-8")
    called = re.search(r"ExecStart=\S+/canister (.*)", service)
    assert called is not None
    words = called[1].split()
    hub = get_command(app).commands["hub"]  # type: ignore[attr-defined]
    made = hub.commands["report"].make_context("report", words[2:])
    assert words[:2] == ["hub", "report"]
    assert (made.params["every"], made.params["month"]) == (True, "last")
    assert str(made.params["folder"]).startswith("/var/lib/canister-fleet/")
