"""`canister report` as a person calls it, and the daemon's own monthly one."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pypdf
import pytest

from monitor.journal.store import Journal
from monitor.records import Moment
from tests.conftest import Command, until
from tests.system.test_daemon import settings
from tests.unit.app.test_monthly import begin


def rehearsed(canister: type[Command], tmp_path: Path) -> Path:
    """Twelve days of the rig with a stop, and a configuration that finds them."""
    file = tmp_path / "canister.toml"
    scenario = Path("monitor/app/rehearsal.toml").read_text(encoding="utf-8")
    text = f'[storage]\nfolder = "{tmp_path}/state"\nlive_file = ""\nsample_every_s = 600\n'
    file.write_text(
        scenario.replace("[filters.long_tank]", f"{text}[filters.long_tank]", 1), encoding="utf-8"
    )
    done = canister(
        "rehearse", "--days", "12", "--fault", "stall@3d+90m", "--folder", str(tmp_path / "state")
    )
    assert done.wait(120) == 0, done.errors
    return file


def test_a_report_of_a_month_in_both_forms(canister: type[Command], tmp_path: Path) -> None:
    file = rehearsed(canister, tmp_path)
    out = tmp_path / "march.html"
    report = canister(
        "report", "--month", "2026-03", "--pdf", "--config", str(file), "--out", str(out), "--json"
    )
    assert report.wait() == 0, report.errors
    assert report.errors == ""
    assert json.loads(report.output) == {"files": [str(out), str(out.with_suffix(".pdf"))]}
    text = " ".join(
        " ".join(p.extract_text() for p in pypdf.PdfReader(out.with_suffix(".pdf")).pages).split()
    )
    assert "SIMULATED" in text
    assert (
        "Flow stopped once, for 1 h 30 min." in text or "Flow stopped once, for 1 h 29 min." in text
    )
    status = canister("status", "--config", str(file), "--json")
    status.wait()
    due = json.loads(status.output.splitlines()[0])["cleaning_due"]
    html = out.read_text(encoding="utf-8")
    assert ("Cleaning is next due about" in html) is (due["median_days"] is not None)
    assert "Water moved" in html or "water moved" in html


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--month", "2026-99"), "--month"),
        (("--month", "2026-03", "--from", "2026-03-01"), "do not go together"),
        (("--to", "2026-03-01"), "--from"),
        (("nobody",), "no filter 'nobody'; known: left"),
        (("--units", "stone"), "--units"),
        (("--month", "2099-01"), "has not begun"),
        (("--from", "2026-03-05", "--to", "2026-03-01"), "expected 1 to"),
    ],
)  # fmt: skip
def test_a_mistake_is_one_line(
    canister: type[Command], tmp_path: Path, words: tuple[str, ...], told: str
) -> None:
    file = settings(tmp_path, None)
    Journal(tmp_path / "state").close()
    done = canister("report", *words, "--config", str(file))
    assert done.wait() == 2, done.errors
    (line,) = done.errors.splitlines()
    assert told in line
    assert done.output == ""


def test_without_a_journal_it_says_so(canister: type[Command], tmp_path: Path) -> None:
    done = canister("report", "--config", str(settings(tmp_path, None)))
    assert done.wait() == 1
    assert "no journal yet" in done.errors


def test_the_daemon_makes_the_one_that_is_owed(tmp_path: Path) -> None:
    folder = tmp_path / "reports"
    journal = Journal(tmp_path / "state")
    now = datetime.now(UTC)
    begin(journal, datetime(now.year - 1, 1, 1, tzinfo=UTC).timestamp())
    journal.record(Moment(0.0, now.timestamp()))
    journal.close()
    file = settings(tmp_path, None, tables=f'[report]\nfolder = "{folder}"\n')
    # A machine without a time server, as a container may be, would wait for its clock.
    script = (
        "import monitor.runtime.clock as c; c.kernel_synchronised = lambda: True; "
        "from monitor.cli import main; main()"
    )
    log = tmp_path / "log"
    with log.open("wb") as out:
        daemon = subprocess.Popen(
            [sys.executable, "-c", script, "run", "--config", str(file)],
            stderr=out,
            stdin=subprocess.DEVNULL,
        )
    try:
        assert until(lambda: "is in" in log.read_text(), 60), log.read_text()
        (report,) = folder.iterdir()
        assert re.fullmatch(r"report-\d{4}-\d\d\.html", report.name)
        text = report.read_text(encoding="utf-8")
        assert "There is no reading of this span that can be trusted" in text
        daemon.terminate()
        assert daemon.wait(20) == 0
    finally:
        daemon.kill()
    assert "held up" not in log.read_text()
    assert "Traceback" not in log.read_text()
