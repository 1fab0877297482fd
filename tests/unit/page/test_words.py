"""The sentences of the page: what is not known now is never said as known."""

from __future__ import annotations

import pytest

from monitor.page import words
from monitor.page.port import DueView
from monitor.records import AlarmKind, AlarmState, Cause, Priority
from tests.support.page_site import LEFT, NOW_S, SITE, STOPPED, clock, filter_with, site_with


def test_a_running_filter_is_told_in_one_honest_sentence() -> None:
    assert (
        words.sentence(LEFT, SITE)
        == "Running at 86\u202f% of clean, cleaning due in about 9 days, 6 to 14."
    )


@pytest.mark.parametrize(
    ("change", "site_change", "said"),
    [
        ({"flow": None, "blind_s": 40.0}, {}, "No reading for 40 s: the filter may run or not."),
        ({"flow": None, "blind_s": None}, {}, "Waiting for the first reading."),
        ({}, {"live": False, "age_s": 75.0}, "No news for 75 s: the filter may run or not."),
        ({"sentence": "Not watched for 3 h."}, {"live": False, "watched": False}, "Not watched for 3 h."),
    ],
)  # fmt: skip
def test_what_is_old_is_said_to_be_old(
    change: dict[str, object], site_change: dict[str, object], said: str
) -> None:
    assert words.sentence(filter_with(**change), site_with(**site_change)) == said


def test_a_short_gap_leaves_the_sentence_of_the_monitor() -> None:
    one = filter_with(flow=None, blind_s=4.0, sentence="Flow collecting.")
    assert words.sentence(one, SITE) == "Flow collecting."


@pytest.mark.parametrize(
    ("change", "site_change", "shape", "said"),
    [
        ({}, {}, "dot", "running"),
        ({"clean": None}, {}, "dot", "running, learning"),
        ({"pause": "feeding"}, {}, "bars", "paused"),
        ({"flow": None}, {}, "hollow", "no reading"),
        ({"alarms": (STOPPED,)}, {}, "triangle", "needs you: act now"),
        ({"alarms": (STOPPED,)}, {"watched": False}, "hollow", "not watched"),
    ],
)
def test_a_filter_is_summed_up_by_a_shape_and_a_word(
    change: dict[str, object], site_change: dict[str, object], shape: str, said: str
) -> None:
    assert words.standing(filter_with(**change), site_with(**site_change)) == (shape, said)


def test_each_priority_has_a_shape_of_its_own() -> None:
    from msgspec.structs import replace

    shapes = {words.priority(replace(STOPPED, priority=p)) for p in Priority}
    assert len({shape for shape, _ in shapes}) == len({said for _, said in shapes}) == len(Priority)


@pytest.mark.parametrize("state", [s for s in AlarmState if s is not AlarmState.NORMAL])
def test_every_state_of_an_alarm_has_words(state: AlarmState) -> None:
    from msgspec.structs import replace

    said = words.state(replace(STOPPED, state=str(state)), clock)
    assert said.startswith(words.STATES[state])
    assert "raised T-60" in said


def test_a_shelved_alarm_says_when_it_is_heard_again() -> None:
    from msgspec.structs import replace

    shelved = replace(STOPPED, state=str(AlarmState.SHELVED), until_utc_s=NOW_S + 3600)
    assert "until T+3600, then it is heard again" in words.state(shelved, clock)


def test_every_cause_that_can_be_raised_has_words() -> None:
    assert all(words.cause_name(c) for c in Cause if c is not Cause.NONE)
    assert words.cause(STOPPED) == "the pump stands, or has no power (70\u202f% sure)"


@pytest.mark.parametrize(
    ("due", "said"),
    [
        (None, "not known yet"),
        (DueView(None, None, None, False), "no trend yet"),
        (DueView(0.1, 0.4, 1.0, True), "within a day"),
        (DueView(6.2, 9.1, 14.0, True), "in about 9 days (6 to 14)"),
        (DueView(0.5, 1.2, 2.0, True), "in about 1 day (0 to 2)"),
        (DueView(20.0, 30.0, 40.0, False), "in about 30 days (20 to 40), as past cycles went"),
    ],
)
def test_when_cleaning_is_due(due: DueView | None, said: str) -> None:
    assert words.due(due) == said


@pytest.mark.parametrize(
    ("band", "said", "where"),
    [
        ((23.0, 27.0), "23.0 to 27.0 °C", "in its band"),
        ((25.5, None), "from 25.5 °C", "below its band"),
        ((None, 24.0), "up to 24.0 °C", "above its band"),
        ((None, None), "no band set", ""),
    ],
)
def test_a_temperature_in_its_band(
    band: tuple[float | None, float | None], said: str, where: str
) -> None:
    assert words.band(*band, us=False) == said
    assert words.in_band(25.0, *band) == where


def test_us_units() -> None:
    # 1 US gallon is 3.785411784 L (NIST Handbook 44); 25 °C is 77 °F.
    assert words.flow(3785.411784, us=True) == ("1\u202f000", "gal/h")
    assert words.temperature(25.0, us=True) == ("77.0", "°F")


def test_a_screen_reader_is_told_what_nobody_has_acknowledged() -> None:
    assert words.announcement(SITE) == "No open alarm."
    heard = site_with(filters=(filter_with(alarms=(STOPPED,)),))
    assert words.announcement(heard) == "Open: Left <tank>: flow stopped."
    assert "Nobody watches" in words.announcement(site_with(watched=False))


@pytest.mark.parametrize(
    ("said", "watched", "words_"),
    [
        ("done: the pause is over", True, "Done: the pause is over."),
        ("refused: there is no pause", True, "Not done: there is no pause."),
        (None, True, "Noted; the monitor has not answered yet."),
        (None, False, "Noted; it takes effect when canister run is started."),
    ],
)
def test_an_answer_for_people(said: str | None, watched: bool, words_: str) -> None:
    assert words.answer(said, watched) == words_


def test_alarm_names_are_words() -> None:
    assert words.alarm_name(AlarmKind.FLOW_STOPPED) == "Flow stopped"
