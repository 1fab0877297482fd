"""The whole pure middle for one filter: condition, then alarms, then what is to be said."""

from __future__ import annotations

from collections.abc import Sequence, Set
from typing import TypeVar

import msgspec

from monitor.alarms.advice import advice, consequence
from monitor.alarms.life import NEVER, Alarm, live
from monitor.alarms.pause import LONGEST_MIN, QUIET, Pause, PauseKind
from monitor.alarms.rules import Limits, Wish, wish
from monitor.condition import deeds, pipeline
from monitor.condition.cause import Reason, reason
from monitor.condition.consequence import (
    Stock,
    restart_advice,
    restarted_advice,
    stop_consequence,
)
from monitor.condition.oxygen import nitrification
from monitor.condition.pipeline import ConditionPlan, ConditionState
from monitor.condition.reference import Phase
from monitor.condition.standing import Learned, Standing, decide
from monitor.condition.thermal import hours_until
from monitor.records import (
    AlarmKind,
    Assessment,
    Cause,
    Event,
    EventKind,
    Moment,
    Note,
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
    """What is fixed about one filter: how it is read and what its user wants to know."""

    condition: ConditionPlan
    limits: Limits = Limits()
    stock: Stock = Stock()


class WatchState(msgspec.Struct, frozen=True, gc=False):
    """Everything remembered of one filter; saved and restored as it is.

    `alarms` has one entry for each of `KINDS`, `reasons` the cause of each that stands.
    """

    condition: ConditionState = ConditionState()
    alarms: tuple[Alarm, ...] = (NEVER,) * len(KINDS)
    reasons: tuple[Reason | None, ...] = (None,) * len(KINDS)
    pause: Pause | None = None
    standing: Standing | None = None
    learned: Learned = Learned()

    def alarm(self, kind: AlarmKind) -> Alarm:
        """Return the alarm of one kind."""
        return self.alarms[KINDS.index(kind)]


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
        events = (_learned(seen, now, condition),)
    for note in seen.notes:
        events += (_observed(note, seen, now),)
        if note.cause is Cause.CLEANED_UNTOLD:
            condition = deeds.presumed(condition, state.condition)
    pause = state.pause
    if pause is not None and now.line_s >= pause.until_s:
        pause = None
        events += (_plain(EventKind.PAUSE_ENDED, seen, now, "the pause is over"),)
    alarms, reasons = state.alarms, state.reasons
    elapsed = _elapsed_s(state.condition, condition)
    for index, kind in enumerate(KINDS):
        said = wish(kind, seen, plan.limits, alarms[_STOPPED].active, alarms[_LOW].active)
        if said is None:
            continue
        old = alarms[index]
        if pause is not None and not old.active and kind in QUIET:
            said = Wish(False, said.over, said.on_delay_s, said.off_delay_s)
        span = seen.dt_s if seen.fresh and kind not in _BY_TIME else elapsed
        new = live(old, said, span, now.line_s, now.utc_s)
        if new is old:
            continue
        if new.active is not old.active:
            why = _why(kind, condition, seen, reasons[_LOW]) if new.active else reasons[index]
            reasons = _put(reasons, index, why if new.active else None)
            happened = EventKind.RAISED if new.active else EventKind.CLEARED
            lasted = now.line_s - old.raised_line_s
            events += (
                _alarm_event(
                    kind,
                    happened,
                    new.occurrence,
                    why,
                    plan,
                    seen,
                    now,
                    lasted,
                    condition.thermal.falling,
                ),
            )
        alarms = _put(alarms, index, new)
    after = WatchState(condition, alarms, reasons, pause, state.standing, state.learned)
    if alarms[_STOPPED].active or state.standing is not None:
        after, told = _stands(after, plan, seen, now)
        events += told
    return after, seen, events


def _why(
    kind: AlarmKind, condition: ConditionState, seen: Assessment, low: Reason | None
) -> Reason:
    """The cause of an alarm that is raised now; air that starves the flow at last is still air."""
    found = reason(kind, condition, seen)
    if low is None or low.cause is not Cause.AIR or found.cause is not Cause.BLOCKED:
        return found
    return Reason(Cause.AIR, f"{found.evidence}; before that {low.evidence}", low.sure)


def _stands(
    state: WatchState, plan: WatchPlan, seen: Assessment, now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Let the outlet's temperature decide what a stop without any flow is."""
    alarm, why = state.alarms[_STOPPED], state.reasons[_STOPPED]
    if not alarm.active or why is None:
        return msgspec.structs.replace(state, standing=None), ()
    standing = state.standing
    if standing is None:
        standing = Standing(now.line_s, seen.temperature_c)
    if why.cause not in (Cause.PUMP_OR_POWER, Cause.SENSOR_JAMMED):
        return msgspec.structs.replace(state, standing=standing), ()
    standing, learned, found = decide(standing, state.learned, seen.temperature_c, now.line_s)
    new = msgspec.structs.replace(state, standing=standing, learned=learned)
    if found is None:
        return new, ()
    better = Reason(found.cause, f"{why.evidence}; {found.evidence}", found.sure)
    new = msgspec.structs.replace(new, reasons=_put(state.reasons, _STOPPED, better))
    told = _alarm_event(
        AlarmKind.FLOW_STOPPED,
        EventKind.UPDATED,
        alarm.occurrence,
        better,
        plan,
        seen,
        now,
        now.line_s - standing.since_s,
    )
    return new, (told,)


def paused(
    state: WatchState, plan: WatchPlan, kind: PauseKind, minutes: float, now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Return the state with a pause that ends by itself; a longer one than allowed is cut."""
    length = min(max(minutes, 0.0), LONGEST_MIN[kind])
    new = msgspec.structs.replace(state, pause=Pause(kind, now.line_s + 60.0 * length))
    said = f"pause for {kind}, {length:.0f} min: flow alarms wait until it is over"
    return new, (_plain(EventKind.PAUSED, picture(new, plan), now, said),)


def pause_ended(
    state: WatchState, plan: WatchPlan, now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Return the state without its pause; no event if there was none."""
    if state.pause is None:
        return state, ()
    new = msgspec.structs.replace(state, pause=None)
    return new, (_plain(EventKind.PAUSE_ENDED, picture(new, plan), now, "ended by the user"),)


def cleaned(
    state: WatchState, plan: WatchPlan, now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Return the state after a cleaning: learning begins anew, alarms about the media are over."""
    condition = deeds.cleaned(state.condition)
    seen = picture(state, plan)
    told = _plain(EventKind.CLEANED, seen, now, "the user has cleaned the filter")
    new, events = _over(state, plan, {AlarmKind.CLEANING_DUE, AlarmKind.FLOW_LOW}, now)
    return msgspec.structs.replace(new, condition=condition), (told, *events)


def renewed(
    state: WatchState, plan: WatchPlan, now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Return the state of a filter whose pump or hoses are other ones: all is learned anew.

    Alarms of the old filter's flow are over and count on from where they were. The tank's
    temperature and a pause have nothing to do with the filter and stay.
    """
    seen = picture(state, plan)
    told = _plain(EventKind.CLEANED, seen, now, "another pump or filter: all is learned anew")
    new, events = _over(state, plan, QUIET, now)
    new = msgspec.structs.replace(
        new, condition=deeds.renewed(state.condition), standing=None, learned=Learned()
    )
    return new, (told, *events)


def _over(
    state: WatchState, plan: WatchPlan, kinds: Set[AlarmKind], now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Put an end to alarms that a person's deed has dealt with."""
    seen = picture(state, plan)
    events: tuple[Event, ...] = ()
    alarms, reasons = state.alarms, state.reasons
    for index, kind in enumerate(KINDS):
        if kind not in kinds:
            continue
        old, why = alarms[index], reasons[index]
        if old.active:
            told = _alarm_event(kind, EventKind.CLEARED, old.occurrence, why, plan, seen, now, 0.0)
            # What to do when water moves again is not for here: it may not move yet.
            events += (msgspec.structs.replace(told, advice=""),)
        alarms = _put(alarms, index, Alarm(False, old.occurrence))
        reasons = _put(reasons, index, None)
    return msgspec.structs.replace(state, alarms=alarms, reasons=reasons), events


def cleaned_undone(
    state: WatchState, plan: WatchPlan, now: Moment
) -> tuple[WatchState, tuple[Event, ...]]:
    """Return the state with the clean flow of before the last cleaning; no event if none."""
    condition = deeds.cleaned_undone(state.condition)
    if condition is None:
        return state, ()
    new = msgspec.structs.replace(state, condition=condition)
    told = _plain(EventKind.CLEANED_UNDONE, picture(new, plan), now, "the cleaning is taken back")
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


def _elapsed_s(before: ConditionState, after: ConditionState) -> float:
    if before.line_s is None or after.line_s is None:
        return 0.0
    return after.line_s - before.line_s


def _put(row: tuple[_T, ...], index: int, value: _T) -> tuple[_T, ...]:
    return (*row[:index], value, *row[index + 1 :])


def picture(state: WatchState, plan: WatchPlan) -> Assessment:
    """Return what is known of a filter without any new reading."""
    return pipeline.picture(state.condition, plan.condition)


def _learned(seen: Assessment, now: Moment, condition: ConditionState) -> Event:
    steady = condition.reference.steady
    return _plain(
        EventKind.CLEAN_FLOW_LEARNED,
        seen,
        now,
        "the first steady stretch"
        if steady
        else "no steady stretch came; the middle of what was seen is taken",
    )


def _observed(note: Note, seen: Assessment, now: Moment) -> Event:
    return _event(EventKind.OBSERVED, None, 0, Reason(note.cause, note.evidence), "", seen, now)


def _plain(event: EventKind, seen: Assessment, now: Moment, evidence: str) -> Event:
    return _event(event, None, 0, Reason(Cause.NONE, evidence), "", seen, now)


def _alarm_event(
    kind: AlarmKind,
    event: EventKind,
    occurrence: int,
    why: Reason | None,
    plan: WatchPlan,
    seen: Assessment,
    now: Moment,
    lasted_s: float,
    falling: float | None = None,
) -> Event:
    known = why if why is not None else Reason(Cause.NONE, "")
    told = follows = ""
    if event is EventKind.CLEARED:
        if kind is AlarmKind.FLOW_STOPPED and known.cause is not Cause.SENSOR_JAMMED:
            told = restarted_advice(plan.stock, seen.temperature_c, lasted_s)
    else:
        told = advice(kind, known.cause)
        if kind is AlarmKind.FLOW_STOPPED and known.cause is not Cause.SENSOR_JAMMED:
            told = f"{told} {restart_advice(plan.stock, seen.temperature_c, lasted_s)}"
        follows = _follows(kind, plan, seen, falling)
    whole = _event(event, kind, occurrence, known, told, seen, now)
    return msgspec.structs.replace(whole, consequence=follows, sure=known.sure)


def _follows(kind: AlarmKind, plan: WatchPlan, seen: Assessment, falling: float | None) -> str:
    """What happens if nothing is done; of a stop also how long an unheated tank stays in its band."""
    if kind is AlarmKind.TEMPERATURE_LOW and seen.temperature_c is not None:
        slow, fast = nitrification(seen.temperature_c)
        return (
            f"{consequence(kind)} Estimate: at {seen.temperature_c:.1f} °C the media's bacteria work at "
            f"{slow:.0%} to {fast:.0%} of their rate at 25 °C."
        )
    if kind is not AlarmKind.FLOW_STOPPED:
        return consequence(kind)
    said = stop_consequence(plan.stock, seen.temperature_c)
    limit, now_c = plan.stock.min_c, seen.temperature_c
    hours = None
    if limit is not None and now_c is not None and falling is not None:
        hours = hours_until(limit, now_c, falling)
    if hours is None:
        return said
    return (
        f"{said} If the power is gone, the tank is down to {limit:g} °C in about {hours[0]:.0f} to "
        f"{hours[1]:.0f} h (estimate from its own cooling)."
    )


def _event(
    event: EventKind,
    kind: AlarmKind | None,
    occurrence: int,
    why: Reason,
    told: str,
    seen: Assessment,
    now: Moment,
) -> Event:
    return Event(
        filter_id=seen.filter_id,
        event=event,
        line_s=now.line_s,
        utc_s=now.utc_s,
        alarm=kind,
        occurrence=occurrence,
        flow_m3_per_s=seen.flow_m3_per_s,
        clean_m3_per_s=seen.clean_m3_per_s,
        clean_basis=seen.clean_basis,
        temperature_c=seen.temperature_c,
        cause=why.cause,
        evidence=why.evidence,
        advice=told,
    )
