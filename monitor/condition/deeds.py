"""What people do to a filter, and restarts: pure changes of its state.

A cleaning puts the old clean flow and cycle aside so that it can be taken back; a restart makes the
time not watched unknown; a new K factor is fitted so that it does not read as fouling.
"""

from __future__ import annotations

import msgspec

from monitor.condition.averages import Averages
from monitor.condition.cycle import Cycle, end
from monitor.condition.flow import FlowState
from monitor.condition.pipeline import Anchor, Before, ConditionPlan, ConditionState
from monitor.condition.reference import Phase, after_cleaning
from monitor.records import Moment, Quality


def cleaned(state: ConditionState) -> ConditionState:
    """Return the state after the user has cleaned the filter: clean flow is learned anew.

    Told twice before it is learned, it is still the measured clean flow that can be had back. A
    cleaning that was presumed from the flow already ended the cycle; confirmed, it ends no other.
    """
    twice = state.before is not None and state.reference.phase is not Phase.HELD
    presumed = state.cycle.presumed and not state.cycle.track.points
    cycle = Cycle(track=state.cycle.track) if presumed else end(state.cycle, state.line_s or 0.0)
    return msgspec.structs.replace(
        state,
        averages=Averages(steady=state.averages.steady),
        reference=after_cleaning(state.reference),
        before=state.before if twice else Before(state.reference, state.cycle),
        cycle=cycle,
        anchor=None,
    )


def cleaned_undone(state: ConditionState) -> ConditionState | None:
    """Return the state with clean flow and cycle as before the last cleaning, `None` if none."""
    if state.before is None:
        return None
    return msgspec.structs.replace(
        state, reference=state.before.reference, cycle=state.before.cycle, before=None
    )


def presumed(state: ConditionState, before: ConditionState) -> ConditionState:
    """Return the state after a cleaning was presumed, which `cleaned_undone` takes back."""
    cycle = msgspec.structs.replace(before.cycle, judge_s=None, before=None)
    return msgspec.structs.replace(state, before=Before(before.reference, cycle))


def resumed(state: ConditionState, plan: ConditionPlan, now: Moment) -> ConditionState:
    """Return the state after a restart: the time not watched is neither flow nor its absence."""
    cycle, clean, running = state.cycle, state.reference.clean, state.averages.running
    if cycle.still_s is None and state.line_s is not None:
        before = running / clean if running is not None and clean else None
        cycle = msgspec.structs.replace(cycle, still_s=state.line_s, before=before)
    new = msgspec.structs.replace(
        state,
        line_s=now.line_s,
        flow=FlowState(),
        newest_m3_per_s=None,
        quality=Quality.MISSING,
        unknown_s=0.0,
        fresh_line_s=now.line_s,
        cycle=cycle,
    )
    return _recalibrated(new, plan)


def _recalibrated(state: ConditionState, plan: ConditionPlan) -> ConditionState:
    """Fit a K factor that is not the one the clean flow was learned with."""
    old, clean, running = state.pulses_per_m3, state.reference.clean, state.averages.running
    if old is None or old == plan.sensor.pulses_per_m3 or not clean:
        return state
    if running is None:
        running = clean
    share = running / clean if state.anchor is None else state.anchor.share
    return msgspec.structs.replace(
        state, anchor=Anchor(share), averages=Averages(), pulses_per_m3=None
    )


def renewed(state: ConditionState) -> ConditionState:
    """Return the state of a filter that is another one now, on the same tank.

    Its past only counts when it is taken back.
    """
    return ConditionState(
        line_s=state.line_s,
        pulses_per_m3=state.pulses_per_m3,
        thermal=state.thermal,
        before=Before(state.reference, state.cycle),
    )
