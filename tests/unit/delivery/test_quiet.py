"""Quiet hours: what waits, what never does, and in what words people are told."""

from __future__ import annotations

from datetime import UTC, time

import msgspec
import pytest

from monitor.delivery.quiet import QuietHours, body, for_second, held_after, may_wait, title
from monitor.records import AlarmKind, Cause, CleanBasis, Entry, Event, EventKind

NIGHT = QuietHours(time(22, 0), time(7, 0))
STOP = Event(
    "left", EventKind.RAISED, 1.0, 1_770_000_000.0, AlarmKind.FLOW_STOPPED, 1, 0.0, 2e-4,
    CleanBasis.MEASURED, 25.0, Cause.PUMP_OR_POWER, "no flow at all", "Look.", "It ends badly.",
    0.7, announce=True,
)  # fmt: skip


def event(**changes: object) -> Event:
    return msgspec.structs.replace(STOP, **changes)


@pytest.mark.parametrize(
    ("at", "quiet"),
    [((21, 59), False), ((22, 0), True), ((0, 0), True), ((6, 59), True), ((7, 0), False)],
)
def test_a_night_goes_over_midnight(at: tuple[int, int], quiet: bool) -> None:
    assert NIGHT.at(time(*at)) is quiet


def test_an_afternoon_does_not() -> None:
    nap = QuietHours(time(13, 0), time(14, 30))
    assert [nap.at(time(h, 0)) for h in (12, 13, 14, 15)] == [False, True, True, False]
    assert not QuietHours(time(7, 0), time(7, 0)).at(time(7, 0))


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_what_endangers_animals_or_the_home_never_waits(kind: AlarmKind) -> None:
    never = {
        AlarmKind.FLOW_STOPPED, AlarmKind.FLOW_HIGH, AlarmKind.LEAK, AlarmKind.POWER_GONE,
        AlarmKind.TEMPERATURE_HIGH, AlarmKind.TEMPERATURE_LOW, AlarmKind.TEST,
        AlarmKind.FLOW_UNKNOWN, AlarmKind.READER_DEAD,
    }  # fmt: skip
    assert may_wait(event(alarm=kind)) is (kind not in never)


def test_only_the_newest_word_of_each_alarm_waits_and_what_is_over_does_not() -> None:
    due = event(alarm=AlarmKind.CLEANING_DUE)
    low = event(alarm=AlarmKind.FLOW_LOW)
    held: tuple[Entry, ...] = ()
    for seq, one in enumerate(
        [
            due,
            low,
            event(alarm=AlarmKind.CLEANING_DUE, event=EventKind.REPEATED),
            event(alarm=AlarmKind.FLOW_LOW, event=EventKind.CLEARED),
        ]
    ):
        held = held_after(held, Entry(seq, "r", True, one))
    assert [(e.seq, e.event.alarm) for e in held] == [(2, AlarmKind.CLEANING_DUE)]


def test_that_something_told_before_the_night_is_over_waits_too() -> None:
    over = event(alarm=AlarmKind.FLOW_LOW, event=EventKind.CLEARED)
    assert len(held_after((), Entry(1, "r", True, over))) == 1


def test_told_before_the_night_and_over_within_it_is_told() -> None:
    held: tuple[Entry, ...] = ()
    for seq, kind in enumerate((EventKind.REPEATED, EventKind.CLEARED)):
        held = held_after(held, Entry(seq, "r", True, event(alarm=AlarmKind.FLOW_LOW, event=kind)))
    assert [e.event.event for e in held] == [EventKind.CLEARED]


def test_the_words() -> None:
    assert title(STOP, "Cellar", False) == "Cellar, left: flow stopped"
    assert title(event(event=EventKind.CLEARED), "Cellar", True).startswith("SIMULATED ")
    assert title(event(event=EventKind.REPEATED), "Cellar", False).endswith("(still)")
    assert "the board's clock is not set" in body(STOP, UTC, False)
    told = body(STOP, UTC).splitlines()
    assert told == [
        "2026-02-02 02:40  pump or power (70% sure): no flow at all",
        "What to do: Look.",
        "If nothing is done: It ends badly.",
    ]
    assert for_second(event(event=EventKind.ESCALATED))
    assert not for_second(STOP)
