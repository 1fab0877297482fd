"""Chores: steps of the wall clock neither stall them nor pile them up; an error ends none."""

from __future__ import annotations

import itertools
import threading
import time
import tracemalloc
from collections.abc import Iterator
from datetime import datetime, timedelta

import pytest
from tzlocal import get_localzone

from monitor.app.chores import Chores
from tests.conftest import until
from tests.support.stepped import STEPS_S, SteppedWall, planned_by

EVERY_S = 0.2


@pytest.fixture
def wall() -> Iterator[SteppedWall]:
    stepped = SteppedWall()
    with planned_by(stepped):
        yield stepped


def runs_within(ran: list[float], chores: Chores | None, span_s: float) -> int:
    """Attend as the safety loop does, for a while; return how often the chore ran."""
    before, end = len(ran), time.monotonic() + span_s
    while time.monotonic() < end:
        if chores is not None:
            chores.attend()
        time.sleep(0.05)
    return len(ran) - before


@pytest.mark.parametrize("step", STEPS_S)
def test_a_step_of_the_clock_changes_neither_cadence_nor_memory(
    wall: SteppedWall, step: str
) -> None:
    ran: list[float] = []
    chores = Chores(wall)
    chores.add("count", EVERY_S, lambda: ran.append(time.monotonic()), at_once=True)
    chores.start()
    try:
        assert runs_within(ran, chores, 1.0) >= 4
        tracemalloc.start()
        wall.step(STEPS_S[step])
        after = runs_within(ran, chores, 2.0)
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        chores.stop()
    assert 7 <= after <= 12, "five a second, and one at once after the step"
    assert peak_bytes < 500_000
    assert max(b - a for a, b in itertools.pairwise(ran)) < 0.8


def test_a_step_ahead_costs_nothing_even_when_nobody_attends(wall: SteppedWall) -> None:
    """The scheduler may wake up between the step and the safety loop's next look."""
    ran: list[float] = []
    chores = Chores(wall)
    chores.add("count", EVERY_S, lambda: ran.append(time.monotonic()), at_once=True)
    chores.start()
    try:
        runs_within(ran, None, 0.5)
        wall.step(365 * 86400.0)
        assert 4 <= runs_within(ran, None, 1.0) <= 7
    finally:
        chores.stop()


def test_a_step_back_would_stall_them_if_nobody_attended(wall: SteppedWall) -> None:
    """What `attend` is for; and a proof that the step reaches APScheduler."""
    ran: list[float] = []
    chores = Chores(wall)
    chores.add("count", EVERY_S, lambda: ran.append(time.monotonic()), at_once=True)
    chores.start()
    try:
        runs_within(ran, None, 0.5)
        wall.step(-3600.0)
        runs_within(ran, None, 2 * EVERY_S)
        assert runs_within(ran, None, 1.0) == 0
        assert runs_within(ran, chores, 1.0) >= 4
    finally:
        chores.stop()


def test_an_error_ends_no_chore(wall: SteppedWall, caplog: pytest.LogCaptureFixture) -> None:
    ran: list[float] = []

    def sometimes() -> None:
        ran.append(time.monotonic())
        if len(ran) == 2:
            raise ValueError("wet")

    chores = Chores(wall)
    chores.add("dry the floor", EVERY_S, sometimes, at_once=True)
    chores.start()
    try:
        assert until(lambda: len(ran) >= 4, 5)
    finally:
        chores.stop()
    assert "dry the floor failed" in caplog.text


def test_a_chore_that_hangs_is_told_and_holds_up_no_other() -> None:
    now_s = [1000.0]
    hung, ran = threading.Event(), threading.Event()
    chores = Chores(lambda: now_s[0] + 1.7e9, lambda: now_s[0])
    real = Chores()
    real.add("hang", 1.0, hung.wait, at_once=True)
    real.add("go on", EVERY_S, ran.set, at_once=True)
    real.start()
    try:
        assert ran.wait(5)
    finally:
        hung.set()
        real.stop()
    chores.add("hang", 60.0, lambda: None, at_once=False)
    assert chores.health().working
    now_s[0] += 3 * 60.0 + 61.0
    told = chores.health()
    assert not told.working
    assert told.line == "hang was last done 241 s ago"


def test_a_daily_word_comes_once_at_its_time_whatever_the_clock_did(wall: SteppedWall) -> None:
    here, said = get_localzone(), list[float]()
    chores = Chores(wall)
    due = datetime.fromtimestamp(wall() + 7200.0, here).replace(second=0, microsecond=0)
    chores.add_daily("word", due.strftime("%H:%M"), lambda: said.append(wall()))
    chores.start()
    try:
        assert runs_within(said, chores, 0.5) == 0
        for days in (-30, 30, 60):
            wall.step((due + timedelta(days=days)).timestamp() - 0.7 - wall())
            assert runs_within(said, chores, 2.0) == 1, days
            at = datetime.fromtimestamp(said[-1], here)
            assert (at.hour, at.minute) == (due.hour, due.minute)
    finally:
        chores.stop()
