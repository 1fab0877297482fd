"""What is said of a site that is not heard, and what of one that is and should not be believed."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from monitor.fleet.silence import Hearing, Judgement, back, deaf, judge, together
from monitor.fleet.view import SiteView, site_view
from tests.support.sites import BEGAN_UTC_S, DAY_S, Site
from tests.unit.fleet.test_fold import everything, memory

NOW = 1_000_000.0


def view(**changes: Any) -> SiteView:
    fields: dict[str, Any] = {
        "presence": {"presence": "online", "run": "r", "began_line_s": 0.0, "time": None},
        "beat": {"next_within_s": 60.0, "time": "1970-01-12T13:46:30.000Z", "clock_synchronised": True},
        "filters": (), "alarms": {}, "journals": ("j",), "overlap_s": 0.0,
    }  # fmt: skip
    whole = {"site": "home", "journal": "j", **fields, **changes}
    return SiteView(**whole)


def judged(heard_before_s: float, **changes: Any) -> Judgement:
    return judge(view(**changes), NOW - heard_before_s, NOW, 3.0, 300.0)


def test_who_was_heard_within_three_promised_beats_is_heard() -> None:
    assert judged(10.0).hearing is Hearing.HEARD
    assert judged(179.0).hearing is Hearing.HEARD
    assert judged(181.0).hearing is Hearing.SILENT


def test_the_promise_is_the_sites_own() -> None:
    slow = {"next_within_s": 600.0, "time": "1970-01-12T13:18:00.000Z"}
    assert judged(1700.0, beat=slow).hearing is Hearing.HEARD
    assert judged(1900.0, beat=slow).hearing is Hearing.SILENT


@pytest.mark.parametrize(
    ("word", "alarms", "hearing", "wanted", "said"),
    [
        ("lost", {}, Hearing.LOST, True, "its power or its internet is gone"),
        ("online", {}, Hearing.SILENT, True, "it is connected but says nothing"),
        ("stopped", {}, Hearing.STOPPED, False, "switched off on purpose"),
        ("lost", {"power-gone": {"active": True}}, Hearing.POWER_GONE, True, "the power went"),
        ("lost", {"power-gone": {"active": False}}, Hearing.LOST, True, "cannot be told apart"),
    ],
)
def test_silence_is_told_apart(
    word: str, alarms: dict[str, Any], hearing: Hearing, wanted: bool, said: str
) -> None:
    presence = {
        "presence": word,
        "run": "r",
        "began_line_s": 0.0,
        "time": "1970-01-12T12:00:00.000Z",
    }
    found = judged(3600.0, presence=presence, alarms=alarms)
    assert (found.hearing, found.wanted) == (hearing, wanted)
    assert said in found.words
    assert found.advice


def test_who_was_lost_a_moment_ago_wakes_nobody() -> None:
    presence = {"presence": "lost", "run": "r", "began_line_s": 0.0, "time": None}
    found = judged(90.0, presence=presence)
    assert (found.hearing, found.wanted) == (Hearing.LOST, False)


def test_never_heard() -> None:
    found = judge(view(presence={}, beat={}), 0.0, NOW, 3.0, 300.0)
    assert (found.hearing, found.wanted) == (Hearing.NEVER, True)


@pytest.mark.parametrize(
    ("time", "synchronised", "said"),
    [
        ("1970-01-01T00:05:00.000Z", False, "its clock is not synchronised and shows 1970-01-01 00:05"),
        ("1970-01-13T13:46:30.000Z", True, "24 h ahead"),
        ("1970-01-12T13:00:00.000Z", True, "46 min behind"),
    ],
)  # fmt: skip
def test_a_wrong_clock(time: str, synchronised: bool, said: str) -> None:
    beat = {"next_within_s": 60.0, "time": time, "clock_synchronised": synchronised}
    found = judged(10.0, beat=beat)
    assert found.hearing is Hearing.WRONG_CLOCK
    assert said in found.words


def test_two_boards_with_the_same_card() -> None:
    assert judged(10.0, overlap_s=1700.0).hearing is Hearing.HEARD
    assert judged(10.0, overlap_s=7200.0).hearing is Hearing.CLONED


def test_a_copied_card_is_seen_in_its_messages_and_a_restart_is_none() -> None:
    """The same site run twice from the same card: both go on, each with a run of its own."""
    one = Site("home", 4, 4)
    assert site_view("home", memory(everything(one.messages)).registers["home"]).overlap_s == 0.0
    twin = [
        m._replace(payload=m.payload.replace(b'"run":"', b'"run":"f').replace(b'"began_line_s":0.0', b'"began_line_s":50000.0'))
        for m in one.messages
    ]  # fmt: skip
    both = memory(everything(one.messages + twin)).registers["home"]
    assert site_view("home", both).overlap_s > 2 * 86400


def test_what_an_absence_was_is_known_when_it_is_over() -> None:
    before = {"journal": "j", "run": "a"}
    assert "it watched all the time" in back(before, before, 3600.0)
    assert "nobody watched" in back(before, {"journal": "j", "run": "b"}, 3600.0)
    assert "new card" in back(before, {"journal": "k", "run": "b"}, 3600.0)


def test_a_hub_that_hears_nobody_blames_itself() -> None:
    gone = {f"s{n}": judged(3600.0) for n in range(5)}
    assert deaf(gone, 5, NOW - 3600.0, NOW) == (
        "none of 5 sites is heard, the last 60 min ago: look at the broker, the workers and this machine's "
        "network before any site"
    )
    assert deaf(gone, 6, NOW - 3600.0, NOW) is None


def test_sites_of_one_place_that_fall_silent_together_are_one_matter() -> None:
    gone = {
        "a": judged(3600.0), "b": judged(3590.0), "c": judged(600.0), "d": judged(3600.0),
    }  # fmt: skip
    places = {"a": "harbour", "b": "harbour", "c": "harbour", "d": "hill"}
    assert together(gone, places) == [("harbour", ("a", "b"))]


def test_the_view_is_what_the_site_said_last() -> None:
    site = Site("home", 9, 12)
    seen = site_view("home", memory(everything(site.messages)).registers["home"])
    assert seen.journal == site.journal
    assert [f.name for f in seen.filters] == ["tank_0", "tank_1"]
    last = seen.filters[0].state_utc_s
    assert last is not None
    assert 11 * DAY_S < last - BEGAN_UTC_S < 13 * DAY_S
    cleaned = [b for b in site.events.values() if b'"event":"cleaned"' in b]
    assert sum(len(f.cleanings) for f in seen.filters) == len(cleaned) > 0


def test_a_site_of_which_hardly_anything_is_known() -> None:
    assert site_view("home", {}).filters == ()
    only = {"j/alarm/left/flow-stopped": ("1", '{"state":"unacknowledged"}')}
    seen = site_view("home", only)
    assert seen.journal == "j"
    assert seen.filters[0].state == {}
    assert list(seen.filters[0].alarms) == ["flow-stopped"]


def test_a_sign_of_life_that_overtakes_its_runs_presence_makes_no_second_board() -> None:
    """Two workers share a restart's messages, and one of them is slow or dead for a while."""
    one = Site("home", 7, 60)
    presences = [m for m in one.messages if m.topic.endswith("/presence")]
    first, last = presences[0], presences[-1]
    assert b'"online"' in last.payload
    assert msgspec.json.decode(first.payload)["run"] != msgspec.json.decode(last.payload)["run"]
    beats = [m for m in one.messages if m.topic.endswith("/heartbeat")]
    known = memory(everything([first, *beats])).registers["home"]
    assert site_view("home", known).overlap_s == 0.0
    known = memory(everything([*beats, *presences])).registers["home"]
    assert site_view("home", known).overlap_s == 0.0
