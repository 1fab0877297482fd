"""The watch screen fits any terminal, and what is wrong is never what finds no room."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.commands.watch_view import Glance, Screen, Trace, frame, trace_columns
from monitor.commands.watching import shows_unicode
from monitor.drawing.spark import BLOCKS


def row(name: str, **other: Any) -> dict[str, Any]:
    return {
        "filter": name, "sentence": "Running at 86% of clean, cleaning due in about 9 days, 6 to 14.",
        "simulated": False, "alarms": [], "alarm_states": {}, "flow_l_per_h": 672.0,
        "clean_flow_l_per_h": 778.0, "share_of_clean": 0.864, "temperature_c": 24.9,
    } | other  # fmt: skip


STOPPED = {
    "sentence": "Flow has stopped.", "alarms": ["flow-stopped"], "flow_l_per_h": 0.0,
    "share_of_clean": 0.0, "alarm_states": {"flow-stopped": "unacknowledged"},
}  # fmt: skip


def glance(*rows: dict[str, Any], **other: Any) -> Glance:
    trace = Trace([672 / 3.6e6] * 200, [24.9] * 200)
    fields: dict[str, Any] = {
        "site": "Fish room", "clock": "2026-03-02 08:00:00 UTC", "state": "live, process 7",
        "live": True, "filters": rows, "names": {}, "traces": {r["filter"]: trace for r in rows},
        "of_site": {"alarms": [], "alarm_states": {}}, "troubles": [], "events": [], "span_s": 3600.0,
    }  # fmt: skip
    return Glance(**(fields | other))


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize(("width", "height"), [(20, 5), (40, 10), (80, 24), (300, 80)])
@pytest.mark.parametrize("filters", [1, 3, 8])
def test_it_fits(width: int, height: int, filters: int, plain: bool) -> None:
    rows = [row(f"tank{n}", **(STOPPED if n == filters - 1 else {})) for n in range(filters)]
    lines = frame(glance(*rows), Screen(width, height, plain))
    assert len(lines) <= height
    assert all(len(line.words) <= width for line in lines)
    if plain:
        assert all(line.words.isascii() for line in lines)
    said = "\n".join(line.words for line in lines)
    assert all(r["filter"][: width - 10] in said for r in rows) or "more" in said
    if (width, height) >= (80, 24):
        assert "Flow has stopped" in said


def test_what_finds_no_room_is_said() -> None:
    lines = frame(glance(*[row(f"tank{n}") for n in range(8)]), Screen(80, 6))
    assert any("and 6 more" in line.words and line.style == "alarm" for line in lines)


def test_an_alarm_is_marked_in_words_and_not_by_colour_alone() -> None:
    said = [line.words for line in frame(glance(row("left", **STOPPED)), Screen(80, 24))]
    assert "  ! flow stopped, unacknowledged" in said
    tight = [
        f.words for f in frame(glance(*[row(f"t{n}", **STOPPED) for n in range(6)]), Screen(80, 9))
    ]
    assert tight[2].startswith("!   0% t0: Flow has stopped.")


def test_units_of_the_reader_and_a_figure_nobody_knows() -> None:
    us = frame(glance(row("left")), Screen(80, 24, us=True))
    assert any("178 of 206 gal/h" in line.words for line in us)
    assert any("76.8 °F" in line.words for line in us)
    unknown = frame(
        glance(row("left", flow_l_per_h=None, clean_flow_l_per_h=None, temperature_c=None),
               traces={}), Screen(80, 24))  # fmt: skip
    assert any(line.words.split() == ["flow", "–"] for line in unknown)
    assert not any("water" in line.words for line in unknown)


def test_what_is_not_live_stands_out() -> None:
    stale = frame(
        glance(row("left"), live=False, state="NOT LIVE: no reading for 40 s"), Screen(80, 24)
    )
    assert [line.style for line in stale if "NOT LIVE" in line.words] == ["alarm"]


def test_a_trace_takes_what_the_width_leaves() -> None:
    (flow,) = [
        f for f in frame(glance(row("left")), Screen(80, 24)) if f.words.startswith("  flow")
    ]
    assert len(flow.words) == 80
    assert trace_columns(80) == sum(letter in BLOCKS for letter in flow.words)
    assert trace_columns(1) == 1


@pytest.mark.parametrize(
    ("environment", "encoding", "shows"),
    [
        ({"LANG": "de_DE.UTF-8"}, "utf-8", True),
        ({"LANG": "en_US.utf8", "LC_CTYPE": "C.UTF-8"}, "utf-8", True),
        ({"LC_CTYPE": "C.UTF-8"}, "utf-8", False),  # Python's own doing, PEP 538
        ({"LC_ALL": "C", "LANG": "de_DE.UTF-8"}, "utf-8", False),
        ({"LANG": "de_DE.UTF-8"}, "ascii", False),
        ({"LANG": "de_DE.UTF-8", "TERM": "linux"}, "utf-8", False),
        ({}, None, False),
    ],
)  # fmt: skip
def test_whether_more_than_ascii_can_be_shown(
    environment: dict[str, str], encoding: str | None, shows: bool
) -> None:
    assert shows_unicode(environment, encoding) is shows
