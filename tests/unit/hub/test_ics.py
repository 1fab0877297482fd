"""The calendar file, read back by the library and held to RFC 5545 by hand."""

from __future__ import annotations

import datetime
import re

from icalendar import Calendar as Read

from monitor.fleet.messages import Due
from monitor.fleet.visits import Calendar, FilterNeed, Plan, WorkDay
from monitor.fleet.visits_plan import plan
from monitor.hub.ics import calendar_text, uid

NOW_S = 1772438400.0  # 2026-03-02 08:00 UTC
DATES = ("2026-03-02", "2026-03-03", "2026-03-04")


def week(first: int = 0) -> Plan:
    """A plan whose days begin later or sooner; names with all that the format escapes."""
    needs = [
        FilterNeed(
            "north, hall; one", "long\\tank", "Harbour Street 5, rear", "House; North",
            cleaning_due=Due(0.5, 1.0, 2.0, True),
            bring=("floss 30 × 20 cm, the coarse one for the lowest tray, folded twice and tied",),
        ),
        FilterNeed("süd", "becken_ä", "Mühlgasse", stopped_hours=2.0),
    ]  # fmt: skip
    days = tuple(WorkDay(d, n + 0.2, 480.0) for n, d in enumerate(DATES))[first:]
    return plan(needs, Calendar(days, "2026-03-09", 7.2))


def test_the_library_reads_back_what_was_meant() -> None:
    found = week()
    read = Read.from_ical(calendar_text(found, NOW_S, "The Business"))
    assert read["version"] == "2.0"
    assert read["x-wr-calname"] == "Visits of The Business"
    events = {str(e["uid"]): e for e in read.walk("VEVENT")}
    assert set(events) == {uid(v) for v in found.visits}
    assert len(events) == 2
    for visit in found.visits:
        event = events[uid(visit)]
        day = datetime.date.fromisoformat(visit.date)
        assert event.decoded("dtstart") == day
        assert event.decoded("dtend") == day + datetime.timedelta(days=1)
        assert str(event["location"]) == visit.place
        assert str(event["summary"]).startswith(f"{visit.site}: ")
        assert visit.filters[0].why in str(event["description"]).splitlines()
        assert str(event["description"]).endswith(visit.postponing)
        assert event.decoded("dtstamp") == datetime.datetime(2026, 3, 2, 8, tzinfo=datetime.UTC)


def test_lines_end_in_crlf_and_are_folded_at_75_octets() -> None:
    """RFC 5545, 3.1: CRLF after every line, none longer than 75 octets, a fold is CRLF and a space."""
    text = calendar_text(week(), NOW_S)
    assert text.endswith(b"\r\n")
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)", text)
    lines = text.split(b"\r\n")[:-1]
    assert max(len(line) for line in lines) <= 75
    assert any(line.startswith(b" ") for line in lines)
    for line in lines:
        line.decode()  # no character is cut in two
    whole = text.decode().replace("\r\n ", "").split("\r\n")
    assert whole[0] == "BEGIN:VCALENDAR"
    assert whole[-2:] == ["END:VCALENDAR", ""]
    # RFC 5545, 3.3.11: backslash, semicolon, comma and line end are escaped in a text.
    assert "LOCATION:Harbour Street 5\\, rear" in whole
    assert "SUMMARY:north\\, hall\\; one: long\\\\tank" in whole
    assert all(re.match(r"[A-Z-]+(;[A-Z-]+=[^:;]+)*:", line) for line in whole if line)


def test_a_plan_made_anew_replaces_the_visit_even_on_another_day() -> None:
    old, new = week(0), week(1)
    before = {v.site: (uid(v), v.date) for v in old.visits}
    after = {v.site: (uid(v), v.date) for v in new.visits}
    assert before.keys() == after.keys()
    assert all(before[s][0] == after[s][0] for s in before)
    assert any(before[s][1] != after[s][1] for s in before)
    first = Read.from_ical(calendar_text(old, NOW_S)).walk("VEVENT")[0]
    second = Read.from_ical(calendar_text(new, NOW_S + 60)).walk("VEVENT")[0]
    assert second["sequence"] > first["sequence"]
    assert all(0 <= int(e["sequence"]) < 2**31 for e in (first, second))  # RFC 5545, 3.3.8


def test_sites_do_not_share_a_name_and_an_empty_plan_is_an_empty_calendar() -> None:
    assert len({uid(v) for v in week().visits}) == 2
    nothing = Read.from_ical(calendar_text(plan([], Calendar((), "2026-03-09", 7.0)), NOW_S))
    assert not nothing.walk("VEVENT")
