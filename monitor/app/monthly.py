"""The monthly report: which one is owed, and a child process that writes it.

A child, so that the report's library and the rows of a month leave the daemon's memory as they came, and
nothing of it can hold up the safety loop: it runs with the least claim on the processor and is given up
after a while. It is started by a chore, which may be late. A month that ended while the board was off is
made afterwards.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Protocol

from monitor.errors import MachineError, StorageError
from monitor.journal.spans import first_utc_s
from monitor.journal.store import Journal
from monitor.records import Health, Moment
from monitor.settings.model import ReportSettings

PART = "monthly report"
_DONE = "report_month"  # under which the journal keeps the last month that was made
_MOST_OWED = 12
_WITHIN_S = 900.0
# Samples wait in memory for a while before they are written.
_COMMITTED_S = 3700.0


class Make(Protocol):
    """Writes the report of a month into a file; raises `MachineError` where it cannot."""

    def __call__(self, month: str, file: Path) -> None: ...

    def stop(self) -> None:
        """Give up what runs at this moment."""


def owed(journal: Journal, zone: tzinfo, now_s: float) -> list[str]:
    """Return the months that are over and have no report yet, oldest first, each such as 2026-10.

    After the first only what follows the last one that was made; at most a year of them.

    Raises:
        StorageError: the journal cannot be read.
    """
    first_s = first_utc_s(journal)
    if first_s is None:
        return []
    oldest = datetime.fromtimestamp(first_s, zone).date().replace(day=1)
    done = journal.kept(_DONE)
    with contextlib.suppress(ValueError):
        if done is not None:
            oldest = max(oldest, after(datetime.strptime(done.decode(), "%Y-%m").date()))  # noqa: DTZ007
    today = datetime.fromtimestamp(now_s - _COMMITTED_S, zone).date()
    found: list[str] = []
    month = before(today)
    while month >= oldest and len(found) < _MOST_OWED:
        found.append(f"{month:%Y-%m}")
        month = before(month)
    if done is None:
        found = found[:1]  # nobody asked for those before
    return found[::-1]


def before(day: date) -> date:
    """Return the first day of the month before that of a day."""
    return (day.replace(day=1) - timedelta(1)).replace(day=1)


def after(day: date) -> date:
    """Return the first day of the month after that of a day."""
    return (day.replace(day=1) + timedelta(32)).replace(day=1)


class Monthly:
    """Makes what is owed, one report a call, and keeps the folder within its bound.

    Args:
        settings: the folder and how many are kept.
        journal: it is read, and keeps what was made last.
        zone: the board's own time zone.
        make: writes one.
    """

    def __init__(
        self, settings: ReportSettings, journal: Journal, zone: tzinfo, make: Make
    ) -> None:
        self._settings, self._journal, self._zone, self._make = settings, journal, zone, make
        self.health = Health(PART, True, "none owed")

    def stop(self) -> None:
        """Give up what is being made; it is owed still."""
        self._make.stop()

    def look(self, now: Moment) -> str:
        """Make the oldest report that is owed; return its month, empty for none.

        Nothing is made while the clock may be wrong: a wrong month would count as made.
        """
        if not now.synchronised:
            self.health = Health(PART, True, "waits until the clock is set")
            return ""
        try:
            months = owed(self._journal, self._zone, now.utc_s)
            if not months:
                return ""
            month = months[0]
            self._make(month, Path(self._settings.folder) / f"report-{month}.html")
            self._journal.keep(_DONE, month.encode())
            tidied(Path(self._settings.folder), self._settings.keep)
        except (MachineError, StorageError) as error:
            line, _, remedy = str(error).partition("; ")
            self.health = Health(PART, False, line, remedy)
            return ""
        self.health = Health(PART, True, f"{month} is made")
        return month


def tidied(folder: Path, keep: int) -> list[Path]:
    """Delete the oldest monthly reports beyond `keep` months, and return them; nothing else is touched.

    Raises:
        MachineError: one cannot be deleted.
    """
    found = [
        f for f in folder.glob("report-????-??.*") if f.suffix in (".html", ".pdf") and _is_month(f)
    ]
    months = sorted({f.stem for f in found}, reverse=True)
    gone = sorted(f for f in found if f.stem in months[keep:])
    for file in gone:
        try:
            file.unlink()
        except OSError as error:
            raise MachineError(
                f"{file}: cannot be deleted: {error.strerror}; look at its owner"
            ) from error
    return gone


def _is_month(file: Path) -> bool:
    try:
        datetime.strptime(file.stem.removeprefix("report-"), "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        return False
    return True


class ByChild:
    """Writes a report in a process of its own.

    Args:
        config: the configuration's file.
        pdf: also as PDF.
    """

    def __init__(self, config: Path, pdf: bool) -> None:
        self._config, self._pdf = config, pdf
        self._child: subprocess.Popen[bytes] | None = None

    def __call__(self, month: str, file: Path) -> None:
        """Write the report of a month.

        Raises:
            MachineError: the child failed, or took too long.
        """
        command = [
            "nice", "-n", "19", sys.executable, "-m", "monitor", "report", "--config", str(self._config),
            "--month", month, "--out", str(file), *(["--pdf"] if self._pdf else []),
        ]  # fmt: skip
        try:
            self._child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
            )
            _, errors = self._child.communicate(timeout=_WITHIN_S)
        except (OSError, subprocess.TimeoutExpired) as error:
            self.stop()
            raise MachineError(
                f"the report of {month} was not made ({error}); try canister report --month {month}"
            ) from error
        if self._child.returncode != 0:
            said = errors.decode(errors="replace").strip().splitlines()
            why = (
                said[-1].removeprefix("canister: ")
                if said
                else f"exit code {self._child.returncode}"
            )
            raise MachineError(f"the report of {month} was not made: {why}")

    def stop(self) -> None:
        """Give up what runs at this moment; the report is owed still."""
        child = self._child
        if child is not None and child.poll() is None:
            child.kill()
            child.wait()
