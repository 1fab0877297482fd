"""The whole pure middle for one filter: condition, then alarms, then what is to be said."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import msgspec

from monitor.alarms.life import NEVER, Alarm, Announcing, announcing, live, may_be_said, said
from monitor.alarms.pause import QUIET, Pause
from monitor.alarms.priority import PRIORITIES
from monitor.alarms.rules import Limits, Wish, wish
from monitor.alarms.tell import About, learned, observed, of_alarm, plain
from monitor.condition import deeds, pipeline
from monitor.condition.cause import Reason, reason
from monitor.condition.consequence import Stock
from monitor.condition.pipeline import ConditionPlan, ConditionState
from monitor.condition.reference import Phase
from monitor.condition.standing import Learned, Standing, decide
from monitor.records import (
    AlarmKind,
    Assessment,
    Cause,
    Event,
    EventKind,
    Moment,
    Reading,
)

_T = TypeVar("_T")

# Judged in this order: what stands above suppresses what stands below.
KINDS = (
    AlarmKind.FLOW_UNKNOWN,
    AlarmKind.FLOW_STOPPED,
    AlarmKind.FLOW_LOW,
    AlarmKind.CLEANING_DUE,
    AlarmKind.FLOW_HIGH,
    AlarmKind.TEMPERATURE_HIGH,
    AlarmKind.TEMPERATURE_LOW,
    AlarmKind.TEMPERATURE_UNKNOWN,
)
_BY_TIME = frozenset(KINDS[-3:])  # held by the clock: a temperature has no span
_STOPPED, _LOW = KINDS.index(AlarmKind.FLOW_STOPPED), KINDS.index(AlarmKind.FLOW_LOW)


class WatchPlan(msgspec.Struct, frozen=True, gc=False):
    """What is fixed about one filter: how it is read and what its user wants to know.

    `latching` are the kinds that stand until a person has acknowledged them.
    """

    condition: ConditionPlan
    limits: Limits = Limits()
    stock: Stock = Stock()
    announcing: Announcing = Announcing()
    latching: frozenset[AlarmKind] = frozenset()


class WatchState(msgspec.Struct, frozen=True, gc=False):
    """Everything remembered of one filter; saved and restored as it is.

    `alarms` has one entry for each of `KINDS`, `reasons` the cause of each that was raised last.
    `power_gone`: the power of the whole site explains a stop.
    """

    condition: ConditionState = ConditionState()
    alarms: tuple[Alarm, ...] = (NEVER,) * len(KINDS)
    reasons: tuple[Reason | None, ...] = (None,) * len(KINDS)
    pause: Pause | None = None
    standing: Standing | None = None
    learned: Learned = Learned()
    power_gone: bool = False

    def alarm(self, kind: AlarmKind) -> Alarm:
        """Return the alarm of one kind."""
        return self.alarms[KINDS.index(kind)]

    def suppressed(self, kind: AlarmKind) -> bool:
        """Return whether a cause that is known explains this kind, so that nobody is told of it.

        A pause for what people do to the flow; a stop for what flow says of the media; the power of
        the site for a stop. None of these outlives its cause.
        """
        if self.pause is not None and kind in QUIET:
            return True
        if kind is AlarmKind.FLOW_STOPPED:
            return self.power_gone
        if kind is AlarmKind.FLOW_LOW:
            return self.alarms[_STOPPED].stands
        if kind is AlarmKind.CLEANING_DUE:
            return self.alarms[_STOPPED].stands or self.alarms[_LOW].stands
        return False


def step(
    state: WatchState, plan: WatchPlan, readings: Sequence[Reading], now: Moment
) -> tuple[WatchState, Assessment, tuple[Event, ...]]:
    """Take the readings of one filter since the last step.

    Args:
        state: as the last step returned it, or as it was saved.
        plan: what is fixed.
        readings: of this filter only, oldest first; empty when nothing came.
        now: the moment up to which the readings speak.

    Returns:
        The new state, the assessment, and the events of this step, mostly none.
    """
    condition, seen = pipeline.step(state.condition, plan.condition, readings, now)
    events: tuple[Event, ...] = ()
    if condition.reference.phase is Phase.HELD and (
        state.condition.reference.phase is not Phase.HELD
    ):
        events = (learned(seen, now, condition),)
    for note in seen.notes:
        events += (observed(note, seen, now),)
        if note.cause is Cause.CLEANED_UNTOLD:
            condition = deeds.presumed(condition, state.condition)
    pause = state.pause
    if pause is not None and now.line_s >= pause.until_s:
        pause = None
        events += (plain(EventKind.PAUSE_ENDED, seen, now, "the pause is over"),)
    elapsed = _elapsed_s(state.condition, condition)
    after = WatchState(
        condition, state.alarms, state.reasons, pause, state.standing, state.learned,
        state.power_gone,
    )  # fmt: skip
    after, told = _judge(after, plan, seen, now, elapsed)
    events += told
    if after.alarms[_STOPPED].stands or after.standing is not None:
        after, told = _stands(after, plan, seen, now)
        events += told
    after, told = _announce(after, plan, seen, now)
    return after, seen, events + told


def _judge(
    state: WatchState, plan: WatchPlan, seen: Assessment, now: Moment, elapsed_s: float
) -> tuple[WatchState, tuple[Event, ...]]:
    """Raise and clear alarms by what is seen."""
    alarms, reasons = state.alarms, state.reasons
    events: tuple[Event, ...] = ()
    for index, kind in enumerate(KINDS):
        said_now = wish(kind, seen, plan.limits, alarms[_STOPPED].stands, alarms[_LOW].stands)
        if said_now is None:
            continue
        old = alarms[index]
        if state.pause is not None and not old.active and kind in QUIET:
            said_now = Wish(False, said_now.over, said_now.on_delay_s, said_now.off_delay_s)
        if old.active and kind in plan.latching:
            said_now = msgspec.structs.replace(said_now, latches=True)
        span = seen.dt_s if seen.fresh and kind not in _BY_TIME else elapsed_s
        new = live(old, said_now, span, now.line_s, now.utc_s)
        if new is old:
            continue
        if new.active is not old.active:
            if new.active:
                reasons = _put(reasons, index, _why(kind, state.condition, seen, reasons, alarms))
            state = msgspec.structs.replace(state, alarms=_put(alarms, index, new), reasons=reasons)
            new, event = _turned(state, index, plan, seen, now)
            events += (event,)
        alarms = _put(alarms, index, new)
    return msgspec.structs.replace(state, alarms=alarms, reasons=reasons), events


def _turned(
    state: WatchState, index: int, plan: WatchPlan, seen: Assessment, now: Moment
) -> tuple[Alarm, Event]:
    """Say that an alarm has just been raised, or that it is over."""
    kind, alarm = KINDS[index], state.alarms[index]
    suppressed = state.suppressed(kind)
    if alarm.active:
        tell = may_be_said(alarm, suppressed, now.line_s)
        alarm = said(alarm, now.line_s) if tell else alarm
        happened = EventKind.RAISED
    else:
        # Of what nobody was told it need not be told that it is over.
        tell = alarm.told == alarm.occurrence and alarm.quiet is None
        happened = EventKind.CLEARED
    about = _about(state, plan, seen, now)
    event = of_alarm(happened, kind, alarm, state.reasons[index], about, suppressed, tell)
    return alarm, event


def _announce(
    state: WatchState, plan: WatchPlan, seen: Assessment, now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Say again what stands unheard, and end what a person wanted quiet for a time."""
    events: tuple[Event, ...] = ()
    for index, kind in enumerate(KINDS):
        old = state.alarms[index]
        if not old.active and old.quiet is None:
            continue
        suppressed = state.suppressed(kind)
        new, happened = announcing(old, plan.announcing, PRIORITIES[kind], suppressed, now.line_s)
        if new is old:
            continue
        state = msgspec.structs.replace(state, alarms=_put(state.alarms, index, new))
        if happened is not None:
            loud = new.active and not suppressed
            about = _about(state, plan, seen, now)
            why = state.reasons[index]
            events += (of_alarm(happened, kind, new, why, about, suppressed, loud),)
    return state, events


def _about(state: WatchState, plan: WatchPlan, seen: Assessment, now: Moment) -> About:
    return About(seen, now, plan.stock, state.condition.thermal.falling)


def _why(
    kind: AlarmKind,
    condition: ConditionState,
    seen: Assessment,
    reasons: Sequence[Reason | None],
    alarms: Sequence[Alarm],
) -> Reason:
    """The cause of an alarm that is raised now; air that starves the flow at last is still air."""
    found, low = reason(kind, condition, seen), reasons[_LOW]
    starved = alarms[_LOW].stands and low is not None and low.cause is Cause.AIR
    if low is None or not starved or found.cause is not Cause.BLOCKED:
        return found
    return Reason(Cause.AIR, f"{found.evidence}; before that {low.evidence}", low.sure)


def _stands(
    state: WatchState, plan: WatchPlan, seen: Assessment, now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Let the outlet's temperature decide what a stop without any flow is."""
    alarm, why = state.alarms[_STOPPED], state.reasons[_STOPPED]
    if not alarm.stands or why is None:
        return msgspec.structs.replace(state, standing=None), ()
    standing = state.standing
    if standing is None:
        standing = Standing(now.line_s, seen.temperature_c)
    if why.cause not in (Cause.PUMP_OR_POWER, Cause.SENSOR_JAMMED):
        return msgspec.structs.replace(state, standing=standing), ()
    standing, known, found = decide(standing, state.learned, seen.temperature_c, now.line_s)
    new = msgspec.structs.replace(state, standing=standing, learned=known)
    if found is None:
        return new, ()
    better = Reason(found.cause, f"{why.evidence}; {found.evidence}", found.sure)
    new = msgspec.structs.replace(new, reasons=_put(state.reasons, _STOPPED, better))
    suppressed = new.suppressed(AlarmKind.FLOW_STOPPED)
    loud = alarm.told == alarm.occurrence and alarm.quiet is None and not suppressed
    about = _about(new, plan, seen, now)
    told = of_alarm(
        EventKind.UPDATED, AlarmKind.FLOW_STOPPED, alarm, better, about, suppressed, loud
    )
    return new, (told,)


def resumed(state: WatchState, plan: WatchPlan, now: Moment) -> WatchState:
    """Return the state after a restart; alarms that stood still stand, none is repeated.

    A state saved before a kind of alarm was known gets that kind as never raised.
    """
    missing = len(KINDS) - len(state.alarms)
    alarms = tuple(
        a if a.on_s == 0.0 and a.off_s == 0.0 else msgspec.structs.replace(a, on_s=0.0, off_s=0.0)
        for a in (*state.alarms, *(NEVER,) * missing)
    )
    return msgspec.structs.replace(
        state,
        condition=deeds.resumed(state.condition, plan.condition, now),
        alarms=alarms,
        reasons=(*state.reasons, *(None,) * missing),
    )


def picture(state: WatchState, plan: WatchPlan) -> Assessment:
    """Return what is known of a filter without any new reading."""
    return pipeline.picture(state.condition, plan.condition)


def _elapsed_s(before: ConditionState, after: ConditionState) -> float:
    if before.line_s is None or after.line_s is None:
        return 0.0
    return after.line_s - before.line_s


def _put(row: tuple[_T, ...], index: int, value: _T) -> tuple[_T, ...]:
    return (*row[:index], value, *row[index + 1 :])
