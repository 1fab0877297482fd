"""Which monthly report is owed when, and that the folder stays within its bound."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from monitor.app.monthly import Monthly, after, before, owed, tidied
from monitor.errors import MachineError
from monitor.journal.store import Journal
from monitor.records import Cause, CleanBasis, Event, EventKind, Moment
from monitor.settings.model import ReportSettings


def utc(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()  # type: ignore[misc]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal(tmp_path / "state")
    yield opened
    opened.close()


def begin(journal: Journal, utc_s: float) -> None:
    first = Event(
        "left",
        EventKind.CLEANED,
        0.0,
        utc_s,
        None,
        0,
        None,
        None,
        CleanBasis.NONE,
        None,
        Cause.NONE,
        "",
        "",
    )
    journal.record(Moment(0.0, utc_s), [first])


class Paper:
    """Makes empty reports, and fails when told to."""

    def __init__(self) -> None:
        self.made: list[str] = []
        self.fails = False
        self.stopped = False

    def __call__(self, month: str, file: Path) -> None:
        if self.fails:
            raise MachineError("the report was not made: no room; make some")
        self.made.append(month)
        file.parent.mkdir(exist_ok=True)
        file.write_text(month)
        file.with_suffix(".pdf").write_text(month)

    def stop(self) -> None:
        self.stopped = True


def test_nothing_is_owed_before_a_month_is_over(journal: Journal) -> None:
    assert owed(journal, UTC, utc(2026, 10, 15)) == []
    begin(journal, utc(2026, 10, 10))
    assert owed(journal, UTC, utc(2026, 10, 31)) == []
    assert owed(journal, UTC, utc(2026, 11, 1, 0, 30)) == [], "the last samples are not written yet"
    assert owed(journal, UTC, utc(2026, 11, 1, 2)) == ["2026-10"]


def test_the_first_is_the_last_month_then_nothing_is_left_out(journal: Journal) -> None:
    begin(journal, utc(2025, 1, 10))
    assert owed(journal, UTC, utc(2026, 10, 15)) == ["2026-09"], "nobody asked for those before"
    journal.keep("report_month", b"2026-07")
    assert owed(journal, UTC, utc(2026, 10, 15)) == ["2026-08", "2026-09"], "the board was off"
    journal.keep("report_month", b"2026-09")
    assert owed(journal, UTC, utc(2026, 10, 15)) == []
    journal.keep("report_month", b"2020-01")
    assert len(owed(journal, UTC, utc(2026, 10, 15))) == 12
    journal.keep("report_month", b"rubbish")
    assert len(owed(journal, UTC, utc(2026, 10, 15))) == 12


def test_one_a_time_until_none_is_owed_and_never_again(journal: Journal, tmp_path: Path) -> None:
    begin(journal, utc(2026, 1, 10))
    journal.keep("report_month", b"2026-07")
    paper = Paper()
    monthly = Monthly(ReportSettings(folder=str(tmp_path / "out"), keep=2), journal, UTC, paper)
    now = Moment(0.0, utc(2026, 11, 2))
    assert [monthly.look(now) for _ in range(4)] == ["2026-08", "2026-09", "2026-10", ""]
    assert monthly.health.working
    names = sorted(f.name for f in (tmp_path / "out").iterdir())
    assert names == [f"report-2026-{m}.{s}" for m in ("09", "10") for s in ("html", "pdf")]
    (tmp_path / "out" / "report-2026-10.html").unlink()
    assert monthly.look(now) == "", "what a person took away is not made again"
    monthly.stop()
    assert paper.stopped


def test_a_failure_is_told_and_tried_again(journal: Journal, tmp_path: Path) -> None:
    begin(journal, utc(2026, 9, 10))
    paper = Paper()
    paper.fails = True
    monthly = Monthly(ReportSettings(folder=str(tmp_path / "out")), journal, UTC, paper)
    now = Moment(0.0, utc(2026, 10, 2))
    assert monthly.look(now) == ""
    assert (monthly.health.working, monthly.health.remedy) == (False, "make some")
    paper.fails = False
    assert monthly.look(now) == "2026-09"
    assert monthly.health.working


def test_with_a_clock_that_may_be_wrong_nothing_is_made(journal: Journal, tmp_path: Path) -> None:
    begin(journal, utc(2026, 9, 10))
    paper = Paper()
    monthly = Monthly(ReportSettings(folder=str(tmp_path)), journal, UTC, paper)
    assert monthly.look(Moment(0.0, utc(2036, 10, 2), synchronised=False)) == ""
    assert paper.made == []


def test_only_monthly_reports_are_deleted(tmp_path: Path) -> None:
    kept = [
        "report-2026-10.html",
        "report-2026-10-01-to-2026-10-09.html",
        "report-9999-99.html",
        "notes.txt",
        "report-2025-01.txt",
    ]
    gone = ["report-2026-09.html", "report-2026-09.pdf", "report-2025-01.html"]
    for name in kept + gone:
        (tmp_path / name).write_text("")
    assert sorted(f.name for f in tidied(tmp_path, 1)) == sorted(gone)
    assert sorted(f.name for f in tmp_path.iterdir()) == sorted(kept)


def test_months_over_the_turn_of_the_year() -> None:
    assert before(date(2026, 1, 31)) == date(2025, 12, 1)
    assert after(date(2025, 12, 1)) == date(2026, 1, 1)
