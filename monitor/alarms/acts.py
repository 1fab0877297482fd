"""What people do: pauses, cleanings, acknowledging, shelving. Pure changes of one filter's state.

Every act answers with what happened, or refuses with a sentence; nothing that a person can do makes
an alarm silent for ever.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Set

import msgspec

from monitor.alarms.life import (
    Alarm,
    Quiet,
    QuietKind,
    acknowledged,
    hushed,
    unheard_if_unacknowledged,
)
from monitor.alarms.pause import LONGEST_MIN, QUIET, Pause, PauseKind
from monitor.alarms.priority import PRIORITIES
from monitor.alarms.tell import About, of_alarm, plain
from monitor.alarms.watch import KINDS, WatchPlan, WatchState, picture
from monitor.condition import deeds
from monitor.condition.standing import Learned
from monitor.records import AlarmKind, Event, EventKind, Moment, Priority

Done = tuple[WatchState, tuple[Event, ...]]

# A person's quiet ends by itself: shelving within a day, out of service within a month (common
# practice, no source; ISA-18.2 asks that shelving be limited in time).
LONGEST_QUIET_MIN = {QuietKind.SHELVED: 24 * 60.0, QuietKind.OUT_OF_SERVICE: 30 * 24 * 60.0}
_BEGUN = {
    QuietKind.SHELVED: EventKind.SHELVED,
    QuietKind.OUT_OF_SERVICE: EventKind.OUT_OF_SERVICE,
}
_ENDED = {
    QuietKind.SHELVED: EventKind.UNSHELVED,
    QuietKind.OUT_OF_SERVICE: EventKind.IN_SERVICE,
}


def acknowledge(
    state: WatchState,
    plan: WatchPlan,
    kinds: Iterable[AlarmKind],
    now: Moment,
    by: str = "",
    occurrence: int = 0,
    named: bool = True,
) -> Done:
    """Note that a person has seen these alarms; no event for one that asked for nothing.

    With an `occurrence` other than 0 only that one is meant: raised again since, it stays unheard. What
    another cause suppresses has been told to nobody; it is acknowledged only when it is `named`.
    """
    meant = [kind for kind in kinds if named or not state.suppressed(kind)]

    def seen(alarm: Alarm) -> Alarm:
        if occurrence not in (0, alarm.occurrence):
            return alarm
        return acknowledged(alarm, now.line_s)

    return _each(state, plan, meant, now, by, seen, lambda _: EventKind.ACKNOWLEDGED)


def shelve(
    state: WatchState,
    plan: WatchPlan,
    kinds: Iterable[AlarmKind],
    kind: QuietKind,
    minutes: float,
    now: Moment,
    by: str = "",
) -> Done:
    """Hear nothing of these alarms for a time; a longer one than allowed is cut."""
    length = min(max(minutes, 0.0), LONGEST_QUIET_MIN[kind])
    quiet = Quiet(kind, now.line_s + 60.0 * length)
    return _each(state, plan, kinds, now, by, lambda a: hushed(a, quiet), lambda _: _BEGUN[kind])


def unshelve(
    state: WatchState, plan: WatchPlan, kinds: Iterable[AlarmKind], now: Moment, by: str = ""
) -> Done:
    """Hear of these alarms again before their time; what stands is said at the next step."""

    def ended(old: Alarm) -> EventKind:
        return _ENDED[old.quiet.kind] if old.quiet is not None else EventKind.UNSHELVED

    def heard(old: Alarm) -> Alarm:
        if old.quiet is None:
            return old
        # Then the next step finds that it stands and nobody has been told.
        return unheard_if_unacknowledged(hushed(old, None))

    return _each(state, plan, kinds, now, by, heard, ended)


def _each(
    state: WatchState,
    plan: WatchPlan,
    kinds: Iterable[AlarmKind],
    now: Moment,
    by: str,
    change: Callable[[Alarm], Alarm],
    named: Callable[[Alarm], EventKind],
) -> Done:
    about = About(picture(state, plan), now, plan.stock, state.condition.thermal.falling)
    events: tuple[Event, ...] = ()
    for kind in kinds:
        index = KINDS.index(kind)
        old = state.alarms[index]
        new = change(old)
        if new is old:
            continue
        alarms = (*state.alarms[:index], new, *state.alarms[index + 1 :])
        state = msgspec.structs.replace(state, alarms=alarms)
        why, suppressed, happened = state.reasons[index], state.suppressed(kind), named(old)
        # That a grave alarm is made silent is itself said once.
        loud = happened in _BEGUN.values() and PRIORITIES[kind] is Priority.HIGH
        events += (of_alarm(happened, kind, new, why, about, suppressed, loud, by),)
    return state, events


def paused(
    state: WatchState, plan: WatchPlan, kind: PauseKind, minutes: float, now: Moment, by: str = ""
) -> Done:
    """Return the state with a pause that ends by itself; a longer one than allowed is cut."""
    length = min(max(minutes, 0.0), LONGEST_MIN[kind])
    new = msgspec.structs.replace(state, pause=Pause(kind, now.line_s + 60.0 * length))
    said = f"pause for {kind}, {length:.0f} min: flow alarms wait until it is over"
    return new, (plain(EventKind.PAUSED, picture(new, plan), now, said, by),)


def pause_ended(state: WatchState, plan: WatchPlan, now: Moment, by: str = "") -> Done:
    """Return the state without its pause; no event if there was none."""
    if state.pause is None:
        return state, ()
    new = msgspec.structs.replace(state, pause=None)
    return new, (plain(EventKind.PAUSE_ENDED, picture(new, plan), now, "ended by the user", by),)


def cleaned(state: WatchState, plan: WatchPlan, now: Moment, by: str = "") -> Done:
    """Return the state after a cleaning: learning begins anew, alarms about the media are over."""
    condition = deeds.cleaned(state.condition)
    seen = picture(state, plan)
    told = plain(EventKind.CLEANED, seen, now, "the user has cleaned the filter", by)
    new, events = _over(state, plan, {AlarmKind.CLEANING_DUE, AlarmKind.FLOW_LOW}, now)
    return msgspec.structs.replace(new, condition=condition), (told, *events)


def renewed(state: WatchState, plan: WatchPlan, now: Moment, by: str = "") -> Done:
    """Return the state of a filter whose pump or hoses are other ones: all is learned anew.

    Alarms of the old filter's flow are over and count on from where they were. The tank's
    temperature and a pause have nothing to do with the filter and stay.
    """
    seen = picture(state, plan)
    told = plain(EventKind.CLEANED, seen, now, "another pump or filter: all is learned anew", by)
    new, events = _over(state, plan, QUIET | {AlarmKind.FLOW_HIGH}, now)
    new = msgspec.structs.replace(
        new, condition=deeds.renewed(state.condition), standing=None, learned=Learned()
    )
    return new, (told, *events)


def _over(state: WatchState, plan: WatchPlan, kinds: Set[AlarmKind], now: Moment) -> Done:
    """Put an end to alarms that a person's deed has dealt with."""
    about = About(picture(state, plan), now, plan.stock)
    events: tuple[Event, ...] = ()
    for index, kind in enumerate(KINDS):
        if kind not in kinds:
            continue
        old = state.alarms[index]
        new = msgspec.structs.replace(
            old, active=False, on_s=0.0, off_s=0.0, latched=False, unacknowledged=False,
            ended_s=now.line_s,
        )  # fmt: skip
        alarms = (*state.alarms[:index], new, *state.alarms[index + 1 :])
        state = msgspec.structs.replace(state, alarms=alarms)
        if old.active:
            why, suppressed = state.reasons[index], state.suppressed(kind)
            told = of_alarm(EventKind.CLEARED, kind, new, why, about, suppressed, False)
            # What to do when water moves again is not for here: it may not move yet.
            events += (msgspec.structs.replace(told, advice=""),)
    return state, events


def cleaned_undone(state: WatchState, plan: WatchPlan, now: Moment, by: str = "") -> Done:
    """Return the state with the clean flow of before the last cleaning; no event if none."""
    condition = deeds.cleaned_undone(state.condition)
    if condition is None:
        return state, ()
    new = msgspec.structs.replace(state, condition=condition)
    told = plain(
        EventKind.CLEANED_UNDONE, picture(new, plan), now, "the cleaning is taken back", by
    )
    return new, (told,)
