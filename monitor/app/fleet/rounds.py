"""Makes the plan of a week: where needs come from, which days there are, and the file for calendars."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import date, datetime, timedelta, tzinfo
from datetime import time as clock
from pathlib import Path
from typing import Protocol

from monitor.app.fleet.jsonlines import read_lines
from monitor.errors import MachineError, UserMistake
from monitor.fleet.visits import Calendar, FilterNeed, Plan, WorkDay, fault, faults
from monitor.fleet.visits_days import MOST_DAYS
from monitor.fleet.visits_plan import plan

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_NOON = clock(12)


class Needs(Protocol):
    """Whoever knows the needs of all filters, such as the hub's memory together with its books."""

    def needs(self) -> Sequence[FilterNeed]:
        """Return the need of every filter once."""
        ...


class NeedsFile:
    """Needs from a file of JSON lines, one filter a line.

    Args:
        file: its keys are the fields of `monitor.fleet.visits.FilterNeed`.
    """

    def __init__(self, file: Path) -> None:
        self._file = file

    def needs(self) -> Sequence[FilterNeed]:
        """Return what the file says.

        Raises:
            UserMistake: it cannot be read, or a line is not as described.
        """
        wanted = "one JSON object a line with site, filter and place"
        found = read_lines(self._file, FilterNeed, fault, wanted)
        wrong = faults(found)
        if wrong is not None:
            raise UserMistake(f"{self._file}: {wrong}")
        return found


def week_of(word: str | None, today: date) -> date:
    """Return the first day of the week that a word means.

    Args:
        word: a date such as `2026-03-03`, an ISO week such as `2026-W10`, `next`; `None` for today on.
        today: in the reader's zone.

    Raises:
        UserMistake: it is none of these, or a week that is over.
    """
    if word is None:
        return today
    monday = today - timedelta(days=today.weekday())
    try:
        if word == "next":
            return monday + timedelta(days=7)
        year, _, week = word.partition("-W")
        monday_of = date.fromisocalendar
        first = monday_of(int(year), int(week), 1) if week else date.fromisoformat(word)
        last = first + timedelta(days=6)
    except (ValueError, OverflowError) as error:
        raise UserMistake(
            f"--week {word!r}: expected a date such as {today.isoformat()}, a week such as "
            f"{today:%G-W%V}, or next"
        ) from error
    if last < today:
        raise UserMistake(f"--week {word}: is over, today is {today.isoformat()}; name a later one")
    if first > today + timedelta(days=366):
        raise UserMistake(f"--week {word}: is more than a year ahead; no forecast reaches so far")
    return max(first, today)


def days_of(words: str) -> frozenset[int]:
    """Return numbers of weekdays, Monday 0, from words such as `mon,tue,fri`.

    Raises:
        UserMistake: a word is none of a weekday.
    """
    found = set()
    for word in words.split(","):
        if word.strip().lower() not in WEEKDAYS:
            raise UserMistake(
                f"--days {words!r}: expected some of {','.join(WEEKDAYS)}, got {word.strip()!r}"
            )
        found.add(WEEKDAYS.index(word.strip().lower()))
    return frozenset(found)


def capacity_of(words: str) -> tuple[float, int | None]:
    """Return minutes a day and visits a day from words such as `480`, `8h` or `6 visits`.

    Raises:
        UserMistake: it is none of these.
    """
    text = words.strip().lower().replace(" ", "")
    try:
        if text.endswith(("visits", "visit")):
            number = int(text.removesuffix("s").removesuffix("visit"))
            if 0 <= number <= 10_000:
                return 1e6, number
        else:
            hours = text.endswith("h")
            minutes = float(text[:-1]) * 60.0 if hours else float(text.removesuffix("min"))
            if 0 <= minutes <= 100_000:
                return minutes, None
    except ValueError:
        pass
    raise UserMistake(
        f"--capacity {words!r}: expected minutes a day such as 480, hours such as 8h, or a number such as "
        "'6 visits'"
    )


def week_calendar(
    first: date, now_utc_s: float, weekdays: frozenset[int], room: tuple[float, int | None],
    costs: dict[str, float], zone: tzinfo | None = None,
) -> Calendar:  # fmt: skip
    """Return the calendar of the seven days from `first`.

    Args:
        first: a local date, today or later.
        now_utc_s: now; people are at the tanks at noon of a day, today at the earliest now.
        weekdays: on which somebody drives.
        room: minutes and visits a day.
        costs: fields of `monitor.fleet.visits.Calendar` that are not the default.
        zone: of the reader, `None` for that of the machine.
    """
    dates = [first + timedelta(days=n) for n in range(MOST_DAYS)]
    after = [first + timedelta(days=MOST_DAYS + n) for n in range(MOST_DAYS)]
    following = next((d for d in after if d.weekday() in weekdays), after[0])

    def ahead(day: date) -> float:
        # A day has 23 or 25 hours where the clocks change; the zone knows.
        noon_utc_s = datetime.combine(day, _NOON, tzinfo=zone).timestamp()
        return max(0.0, (noon_utc_s - now_utc_s) / 86400.0)

    days = tuple(
        WorkDay(d.isoformat(), ahead(d), room[0], room[1]) for d in dates if d.weekday() in weekdays
    )
    return Calendar(days, following.isoformat(), ahead(following), **costs)


def planned(source: Needs, calendar: Calendar) -> Plan:
    """Return the plan for what a source knows."""
    return plan(source.needs(), calendar)


def write_calendar(found: Plan, file: Path, now_utc_s: float, business: str = "") -> None:
    """Write a plan as iCalendar, over an older file in one move.

    Raises:
        MachineError: the file cannot be written, or the library is not there.
    """
    try:
        from monitor.hub.ics import calendar_text
    except ImportError as error:
        raise MachineError(
            "--ics: the library icalendar is not installed; install canister-monitor with its extra hub"
        ) from error
    fresh = file.with_name(file.name + ".new")
    try:
        fresh.write_bytes(calendar_text(found, now_utc_s, business))
        os.replace(fresh, file)
    except OSError as error:
        fresh.unlink(missing_ok=True)
        raise MachineError(
            f"{file}: cannot be written: {error.strerror}; name another file"
        ) from error
