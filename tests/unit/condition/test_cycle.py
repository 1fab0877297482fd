"""A cycle through the whole pipeline: forecast, cleanings told and untold, a new K factor."""

from __future__ import annotations

import msgspec
import pytest

from monitor.condition import deeds, pipeline
from monitor.condition.cycle import CyclePlan
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan, ConditionState, outlook
from monitor.condition.reference import Learning
from monitor.records import Cause, FlowReading, Moment, Note

CLEAN = 2e-4
PLAN = ConditionPlan("left", Sensor(450e3, 5e-4), Learning(0.0, 720.0, 0.06), None, CyclePlan())
TOLD = (Cause.CLEANED_UNTOLD, Cause.POOR_RECOVERY)
MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0


class Filter:
    """A filter fed with shares of clean flow by the minute."""

    def __init__(self, plan: ConditionPlan = PLAN) -> None:
        self.plan, self.state, self.now_s = plan, ConditionState(), 0.0
        self.notes: list[Note] = []

    def run(self, share: float, seconds: float, gain: float = 1.0) -> Filter:
        end = self.now_s + seconds
        while self.now_s < end:
            self.now_s += MINUTE
            reading = FlowReading("left", MINUTE, share * CLEAN * gain)
            before = self.state
            self.state, seen = pipeline.step(
                self.state, self.plan, [reading], Moment(self.now_s, self.now_s)
            )
            if Cause.CLEANED_UNTOLD in {n.cause for n in seen.notes}:
                self.state = deeds.presumed(self.state, before)
            self.notes += [n for n in seen.notes if n.cause in TOLD]
        return self

    def foul(self, days: int, start: float, end: float) -> Filter:
        for day in range(days):
            self.run(start + (end - start) * (day + 1) / days, DAY)
        return self


def commissioned() -> Filter:
    return Filter().run(1.0, HOUR)


def test_after_weeks_of_falling_flow_there_is_a_date() -> None:
    one = commissioned().foul(20, 1.0, 0.85)
    ahead = outlook(one.state)
    assert ahead is not None
    assert ahead.trend
    assert ahead.low_s is not None
    assert ahead.high_s is not None
    # The same pace of 0.75 % a day reaches 75 % some 13 days on.
    assert ahead.low_s < 13 * DAY < ahead.high_s


def test_before_the_first_block_nothing_is_said() -> None:
    assert outlook(commissioned().state) is None


def test_feeding_pauses_and_nights_off_are_not_fouling() -> None:
    one = commissioned()
    for _ in range(12):
        one.run(1.0, 10 * HOUR).run(0.0, 15 * MINUTE).run(1.0, 9 * HOUR).run(0.0, 4 * HOUR)
    ahead = outlook(one.state)
    assert ahead is not None
    assert not ahead.trend
    assert ahead.fouling < 0.02
    assert one.notes == []


def test_a_cleaning_nobody_announced_is_put_to_the_user() -> None:
    one = commissioned().foul(15, 1.0, 0.80)
    one.run(0.0, 15 * MINUTE).run(0.99, HOUR)
    assert [n.cause for n in one.notes] == [Cause.CLEANED_UNTOLD]
    assert "canister cleaned" in one.notes[0].evidence
    assert outlook(one.state) is None, "the old date no longer stands"


def test_a_pause_without_a_rise_says_nothing() -> None:
    one = commissioned().foul(15, 1.0, 0.80)
    one.run(0.0, 15 * MINUTE).run(0.80, HOUR)
    assert one.notes == []


def test_a_rise_without_a_pause_says_nothing() -> None:
    one = commissioned().foul(15, 1.0, 0.80).run(0.99, HOUR)
    assert one.notes == []


def test_a_cleaning_keeps_the_length_of_the_cycle() -> None:
    one = commissioned().foul(30, 1.0, 0.74)
    one.state = deeds.cleaned(one.state)
    (lasted,) = one.state.cycle.track.past_s
    assert lasted == pytest.approx(29 * DAY, rel=0.05)
    back = deeds.cleaned_undone(one.state)
    assert back is not None
    assert back.cycle.track.points != ()
    assert back.cycle.track.past_s == ()


def test_a_confirmed_presumption_counts_one_cycle() -> None:
    one = commissioned().foul(30, 1.0, 0.74)
    one.run(0.0, 15 * MINUTE).run(1.0, HOUR)
    one.state = deeds.cleaned(one.state)
    assert len(one.state.cycle.track.past_s) == 1


def test_a_presumption_taken_back_is_not_presumed_again() -> None:
    one = commissioned().foul(30, 1.0, 0.80)
    one.run(0.0, 15 * MINUTE).run(0.99, HOUR)
    back = deeds.cleaned_undone(one.state)
    assert back is not None
    one.state = back
    one.run(0.99, 3 * HOUR)
    assert [n.cause for n in one.notes] == [Cause.CLEANED_UNTOLD]


def test_another_filter_forgets_the_old_one_and_can_be_taken_back() -> None:
    one = commissioned().foul(15, 1.0, 0.80)
    clean, points = one.state.reference.clean, one.state.cycle.track.points
    one.state = deeds.renewed(one.state)
    assert one.state.reference.clean is None
    assert outlook(one.state) is None
    one.run(0.5, HOUR)
    assert one.state.reference.clean == pytest.approx(0.5 * CLEAN)
    back = deeds.cleaned_undone(one.state)
    assert back is not None
    assert (back.reference.clean, back.cycle.track.points) == (clean, points)


def test_a_kink_of_an_hour_is_not_fouling() -> None:
    kinked = commissioned().foul(12, 1.0, 0.9).run(0.4, HOUR).run(0.9, DAY)
    assert kinked.state.cycle.reached_s is None
    assert min(p.share for p in kinked.state.cycle.track.points) > 0.85


def test_poor_recovery_is_told_as_wear() -> None:
    one = commissioned().foul(20, 1.0, 0.78)
    one.state = deeds.cleaned(one.state)
    one.run(0.0, 10 * MINUTE).run(0.88, HOUR)
    assert [n.cause for n in one.notes] == [Cause.POOR_RECOVERY]
    assert "88%" in one.notes[0].evidence


def test_a_new_k_factor_does_not_read_as_fouling() -> None:
    """A sensor that is replaced shows 9 % less; the filter stands where it stood."""
    one = commissioned().foul(10, 1.0, 0.92)
    plan = msgspec.structs.replace(PLAN, sensor=Sensor(480e3, 5e-4))
    one.plan = plan
    one.state = deeds.resumed(one.state, plan, Moment(one.now_s, one.now_s))
    one.run(0.92, 3 * HOUR, gain=0.91)
    clean = one.state.reference.clean
    assert clean is not None
    running = one.state.averages.running
    assert running is not None
    assert running / clean == pytest.approx(0.92, abs=0.01)


def test_a_restart_over_a_cleaning_notices_it() -> None:
    one = commissioned().foul(15, 1.0, 0.80)
    one.now_s += 20 * MINUTE
    one.state = deeds.resumed(one.state, PLAN, Moment(one.now_s, one.now_s))
    one.run(1.0, HOUR)
    assert [n.cause for n in one.notes] == [Cause.CLEANED_UNTOLD]
