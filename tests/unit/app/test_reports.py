"""A report of three days written by hand into a journal: every figure in it worked out beside it.

1 October: 704 L/h all day. 2 October: 650 L/h, and no flow from 06:00 to 08:00. 3 October: nothing until
12:00 (the board was off), cleaned by Ada at 11:00, then 790 L/h. Clean flow is 800 L/h.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pypdf
import pytest

from monitor.app import reports
from monitor.app.reports import gather, of_days, of_month, reader_of, write
from monitor.errors import MachineError, UserMistake
from monitor.journal.history import thin
from monitor.journal.store import Journal
from monitor.records import AlarmKind, Cause, CleanBasis, Event, EventKind, Moment
from monitor.reporting.paper import as_html
from monitor.reporting.summary import Report, sentences
from monitor.settings.load import load
from monitor.settings.model import SettingsTree

SVG = "{http://www.w3.org/2000/svg}"
LITRE = 1 / 3.6e6
FIRST_S = datetime(2026, 10, 1, tzinfo=UTC).timestamp()
HOUR_S = 3600.0
DATES = of_days(date(2026, 10, 1), date(2026, 10, 3))
NOW_S = FIRST_S + 80 * HOUR_S


@pytest.fixture
def tree(tmp_path: Path) -> SettingsTree:
    file = tmp_path / "canister.toml"
    file.write_text(
        f"""
[site]
id = "hall"
name = "Hall <invented> & co"
[storage]
folder = "{tmp_path}/state"
[report]
heading = "Care, invented"
[filters.left]
name = "Long tank"
flow_sensor = {{ pin = 17, bore_mm = 16 }}
probe = {{ rom_id = "28-0123456789ab" }}
tank = {{ min_c = 24, max_c = 26 }}
[filters.right]
flow_sensor = {{ pin = 27, bore_mm = 16 }}
""",
        encoding="utf-8",
    )
    return load(file).tree


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal(tmp_path / "state")
    yield opened
    opened.close()


def put(
    journal: Journal, from_h: float, until_h: float, flow: float | None, warm: float | None = 25.0
) -> None:
    """A sample every 20 s over hours of the span; flows in L/h."""
    count = round((until_h - from_h) * 180)
    rows = [
        (from_h * HOUR_S + 20 * n, FIRST_S + from_h * HOUR_S + 20 * n, None if flow is None else flow * LITRE,
         "missing" if flow is None else "good", 800 * LITRE, warm, "missing" if warm is None else "good")
        for n in range(count)
    ]  # fmt: skip
    with journal.guarded("write", transaction=True) as link:
        link.executemany(
            "INSERT INTO samples (filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, clean_m3_per_s, "
            "temperature_c, temperature_quality) VALUES ('left', ?, ?, 1, ?, ?, ?, ?, ?)",
            rows,
        )


def event(kind: EventKind, at_h: float, alarm: AlarmKind | None = None, **other: Any) -> Event:
    fields: dict[str, Any] = {
        "filter_id": "left", "event": kind, "line_s": at_h * HOUR_S, "utc_s": FIRST_S + at_h * HOUR_S, "alarm": alarm,
        "occurrence": 1, "flow_m3_per_s": 0.0, "clean_m3_per_s": 800 * LITRE, "clean_basis": CleanBasis.MEASURED,
        "temperature_c": 25.0, "cause": Cause.NONE, "evidence": "", "advice": "",
    }  # fmt: skip
    return Event(**(fields | other))


STORY = (
    event(
        EventKind.RAISED,
        30.0,
        AlarmKind.FLOW_STOPPED,
        cause=Cause.PUMP_OR_POWER,
        evidence="it <cools>",
    ),
    event(EventKind.ACKNOWLEDGED, 30.25, AlarmKind.FLOW_STOPPED, by="Ada & Bo"),
    event(EventKind.CLEARED, 32.0, AlarmKind.FLOW_STOPPED),
    event(EventKind.RAISED, 40.0, AlarmKind.TEMPERATURE_HIGH, cause=Cause.HEATER_STUCK_ON),
    event(EventKind.CLEARED, 41.0, AlarmKind.TEMPERATURE_HIGH),
    event(EventKind.RAISED, 45.0, AlarmKind.UNDER_VOLTAGE, filter_id=""),
    event(EventKind.CLEANED, 59.0, by="Ada", evidence="the user has cleaned the filter"),
    event(EventKind.CLEAN_FLOW_LEARNED, 62.0, clean_m3_per_s=792 * LITRE),
    event(EventKind.OBSERVED, 65.0, cause=Cause.FLOW_STEP, evidence="a step"),
)


@pytest.fixture
def lived(journal: Journal) -> Journal:
    put(journal, 0, 24, 704)
    put(journal, 24, 30, 650)
    put(journal, 30, 32, 0, 20.0)
    put(journal, 32, 40, 650)
    put(journal, 40, 41, 650, 27.0)
    put(journal, 41, 48, 650)
    put(journal, 60, 72, 790)
    journal.record(Moment(72 * HOUR_S, NOW_S), STORY)
    # As it is after two days: minutes, and samples of the last.
    thin(journal, 48 * HOUR_S, rest=lambda _: None)
    return journal


def found(tree: SettingsTree, journal: Journal, only: Sequence[str] = ()) -> Report:
    return gather(tree, journal, DATES, UTC, NOW_S, only)


METRIC = reader_of("metric", UTC)


def test_the_sentences_worked_out_by_hand(tree: SettingsTree, lived: Journal) -> None:
    """72 h, 60 of them known, 2 of those without flow; 57 of the 58 running hours at 25 °C, one at 27."""
    report = found(tree, lived, ["left"])
    (left,) = report.filters
    assert sentences(left, report.span, report.days, METRIC) == [
        "Of these 3 days only 83% are covered by readings that can be trusted. In them water moved for 2 days 10 h and "
        "stood for 2 h; of 12 h nobody knows.",
        "Flow stopped once, for 2 h.",
        "By estimate the canister's water ran short of oxygen then: perhaps once. Nothing here measures oxygen.",
        "It ran at 88% of clean on 1 Oct (704 L/h) and at 99% on 3 Oct (790 L/h).",
        "It was cleaned once, the last time on 3 Oct. That brought the flow from 650 L/h to 792 L/h, 99% of the clean "
        "flow before.",
        "When cleaning is next due cannot be said: the clean flow is not known yet.",
        "While it moved, the water had 25.0 °C to 27.0 °C, 98% of the time within its band of 24.0 °C to 26.0 °C; the "
        "alarm stood once.",
    ]  # fmt: skip


def rows(html: ET.Element, title: str) -> list[list[str]]:
    """The body of the table under a title, of the first filter that has it."""
    body = html.find("body")
    assert body is not None
    parts = list(body)
    place = next(
        n for n, part in enumerate(parts) if part.tag == "h3" and title in (part.text or "")
    )
    return [
        ["".join(c.itertext()).replace("\u00a0", " ") for c in row]
        for row in parts[place + 1].iter("tr")
    ][1:]


def page(report: Report, units: str = "metric") -> ET.Element:
    text = as_html(report, reader_of(units, UTC))
    assert text.startswith("<!DOCTYPE html>\n")
    return ET.fromstring(text.split("\n", 1)[1])


def test_the_tables_worked_out_by_hand(tree: SettingsTree, lived: Journal) -> None:
    html = page(found(tree, lived))
    assert rows(html, "Day by day") == [
        ["1 Oct", "704", "800", "88%", "", "", "25.0"],
        ["2 Oct", "650", "800", "81%", "2 h", "", "25.1"],
        ["3 Oct", "790", "800", "99%", "", "12 h", "25.0"],
    ]
    assert rows(html, "Stops") == [
        ["2 Oct 06:00", "2 h", "pump or power: it <cools>", "Ada & Bo, after 15 min", "perhaps"]
    ]
    assert rows(html, "Cleanings") == [["3 Oct 11:00", "Ada", "650 L/h", "792 L/h", "99%"]]
    assert rows(html, "Temperature out of its band")[0][:3] == [
        "temperature high",
        "2 Oct 16:00",
        "1 h",
    ]
    assert rows(html, "Power, board and storage")[0][:3] == [
        "under voltage",
        "2 Oct 21:00",
        "still stands",
    ]
    assert [r[1] for r in rows(html, "What was done")] == ["acknowledged flow stopped", "cleaned"]
    assert rows(html, "Noticed") == [["the flow changed at once", "1", "3 Oct 17:00", "a step"]]


def test_the_page_stands_alone_and_its_pictures_speak(tree: SettingsTree, lived: Journal) -> None:
    report = found(tree, lived)
    html = page(report)
    assert (
        "".join(html.find("body/h1").itertext()) == "Hall <invented> & co: 1 Oct 2026 to 3 Oct 2026"
    )  # type: ignore[union-attr]
    pictures = list(html.iter(f"{SVG}svg"))
    assert len(pictures) == 2, "flow and water of the left one; the right one has no reading"
    for picture in pictures:
        assert picture[0].tag == f"{SVG}title"
        assert picture[1].tag == f"{SVG}desc"
        assert len(picture[1].text or "") > 20
    text = as_html(report, METRIC)
    assert "src=" not in text
    assert "href=" not in text
    assert "<script" not in text
    assert "SIMULATED" not in text
    assert "Care, invented" in text


def test_a_filter_without_a_record_is_not_called_fine(tree: SettingsTree, lived: Journal) -> None:
    report = found(tree, lived, ["right"])
    (right,) = report.filters
    said = sentences(right, report.span, report.days, METRIC)
    assert said[0].startswith("There is no reading of this span that can be trusted")
    assert not any("stop" in s.lower() for s in said), said
    assert "No cleaning is on record." in said
    assert said[-1] == "No temperature probe is fitted."
    assert page(report).find(f".//{SVG}svg") is None


def test_units_of_the_reader(tree: SettingsTree, lived: Journal) -> None:
    """704 L/h are 185.98 US gallons an hour of 3.785412 L; 25 °C are 77 °F."""
    day = rows(page(found(tree, lived), "us"), "Day by day")[0]
    assert day == ["1 Oct", "186", "211", "88%", "", "", "77.0"]


def test_without_a_clean_flow_nothing_is_held_against_it(
    tree: SettingsTree, journal: Journal
) -> None:
    put(journal, 0, 24, 700)
    with journal.guarded("write", transaction=True) as link:
        link.execute("UPDATE samples SET clean_m3_per_s = NULL")
    report = found(tree, journal, ["left"])
    said = sentences(report.filters[0], report.span, report.days, METRIC)
    assert (
        "The clean flow was not known yet, so there is nothing to hold the flow of 700 L/h against."
        in said
    )
    assert rows(page(report), "Day by day")[0][1:4] == ["700", "–", "–"]


def test_a_stop_that_stands_is_told_up_to_the_end_of_the_record(
    tree: SettingsTree, journal: Journal
) -> None:
    put(journal, 0, 20, 700)
    put(journal, 20, 26, 0)
    journal.record(
        Moment(26 * HOUR_S, NOW_S), [event(EventKind.RAISED, 20.0, AlarmKind.FLOW_STOPPED)]
    )
    report = found(tree, journal, ["left"])
    said = sentences(report.filters[0], report.span, report.days, METRIC)
    assert (
        "Flow stopped once, for 6 h. It had not come back on 2 Oct 02:00, where the record ends."
        in said
    )


def test_a_span_that_runs_ends_now(tree: SettingsTree, lived: Journal) -> None:
    report = gather(tree, lived, of_month("2026-10"), UTC, FIRST_S + 30 * HOUR_S, ["left"])
    assert [d.name for d in report.days] == ["1 Oct", "2 Oct"]
    assert (
        sentences(report.filters[0], report.span, report.days, METRIC)[0]
        == "Water moved all the time."
    )
    with pytest.raises(UserMistake, match="has not begun"):
        gather(tree, lived, of_month("2027-01"), UTC, NOW_S)


def test_days_are_those_of_the_boards_own_zone(tree: SettingsTree, lived: Journal) -> None:
    """In Berlin 25 October 2026 has 25 hours (EU summer-time rules); 1 October begins at 22:00 UTC."""
    berlin = ZoneInfo("Europe/Berlin")
    report = gather(tree, lived, of_month("2026-10"), berlin, FIRST_S + 40 * 86400, ["left"])
    long = next(d for d in report.days if d.name == "25 Oct")
    assert long.end_utc_s - long.start_utc_s == 25 * 3600
    assert report.span.start_utc_s == FIRST_S - 7200
    assert len(report.filters[0].hours) == 31 * 24 + 1


@pytest.mark.parametrize("text", ["2026-13", "october", "2026", "", "2026-10-01"])
def test_a_month_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UserMistake, match="--month"):
        of_month(text)


def test_spans_have_names_for_files() -> None:
    assert of_month("2026-02").name == "2026-02"
    assert of_days(date(2026, 2, 1), date(2026, 2, 28)).name == "2026-02"
    assert of_days(date(2026, 2, 1), date(2026, 3, 31)).name == "2026-02-01-to-2026-03-31"
    assert of_days(date(2026, 2, 3), date(2026, 2, 3)).name == "2026-02-03"
    with pytest.raises(UserMistake, match="the last day is counted too"):
        of_days(date(2026, 2, 3), date(2026, 2, 2))


def test_the_pdf_holds_the_sentences(tree: SettingsTree, lived: Journal, tmp_path: Path) -> None:
    files = write(found(tree, lived), METRIC, tmp_path / "out" / "report.html", True)
    assert [f.name for f in files] == ["report.html", "report.pdf"]
    reader = pypdf.PdfReader(files[1])
    text = " ".join(" ".join(p.extract_text() for p in reader.pages).split())
    for words in ("Hall <invented> & co: 1 Oct 2026 to 3 Oct 2026", "Flow stopped once, for 2 h.",
                  "That brought the flow from 650 L/h to 792 L/h", "Ada & Bo, after 15 min"):  # fmt: skip
        assert words in text
    assert reader.metadata is not None
    assert "Hall" in (reader.metadata.title or "")
    assert not list(files[0].parent.glob(".*")), "nothing half written is left"


def test_where_it_cannot_be_written_is_said(
    tree: SettingsTree, lived: Journal, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(MachineError, match="cannot be written"):
        write(found(tree, lived), METRIC, tmp_path / "file" / "report.html", False)


def test_without_the_extra_the_page_is_there_and_the_line_says_what_to_do(
    tree: SettingsTree, lived: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "weasyprint", None)
    with pytest.raises(UserMistake, match="the extra is not installed"):
        write(found(tree, lived), METRIC, tmp_path / "report.html", True)
    assert (tmp_path / "report.html").is_file()
    assert reports.LONGEST_DAYS >= 731
