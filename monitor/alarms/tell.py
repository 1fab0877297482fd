"""Makes the events that say what happened to a filter and its alarms: whole, each readable alone."""

from __future__ import annotations

import msgspec

from monitor.alarms.advice import advice, consequence
from monitor.alarms.life import Alarm, since_utc_s, state_of, until_utc_s
from monitor.condition.cause import Reason
from monitor.condition.consequence import (
    Stock,
    restart_advice,
    restarted_advice,
    stop_consequence,
)
from monitor.condition.oxygen import nitrification
from monitor.condition.pipeline import ConditionState
from monitor.condition.thermal import hours_until
from monitor.records import (
    AlarmKind,
    Assessment,
    Cause,
    Event,
    EventKind,
    Moment,
    Note,
)


class About(msgspec.Struct, frozen=True, gc=False):
    """What every event of this moment says of its filter."""

    seen: Assessment
    now: Moment
    stock: Stock
    falling: float | None = None


def learned(seen: Assessment, now: Moment, condition: ConditionState) -> Event:
    """Return the event that clean flow is known now."""
    steady = condition.reference.steady
    return plain(
        EventKind.CLEAN_FLOW_LEARNED,
        seen,
        now,
        "the first steady stretch"
        if steady
        else "no steady stretch came; the middle of what was seen is taken",
    )


def observed(note: Note, seen: Assessment, now: Moment) -> Event:
    """Return the event of something that wakes nobody."""
    return _event(EventKind.OBSERVED, None, 0, Reason(note.cause, note.evidence), "", seen, now)


def plain(event: EventKind, seen: Assessment, now: Moment, evidence: str, by: str = "") -> Event:
    """Return an event that is about no alarm."""
    whole = _event(event, None, 0, Reason(Cause.NONE, evidence), "", seen, now)
    return whole if not by else msgspec.structs.replace(whole, by=by)


def of_alarm(
    event: EventKind,
    kind: AlarmKind,
    alarm: Alarm,
    why: Reason | None,
    about: About,
    suppressed: bool,
    announce: bool,
    by: str = "",
) -> Event:
    """Return an event of one alarm, with cause, evidence, advice and consequence as of now.

    Args:
        event: what happened.
        kind, alarm: the alarm as it is after that.
        why: its cause, `None` when it has never been raised.
        about: the filter.
        suppressed: whether another cause explains it.
        announce: whether people are to be told.
        by: the person who did it.
    """
    known = why if why is not None else Reason(Cause.NONE, "")
    seen, now = about.seen, about.now
    # What is over lasted until then; an alarm that is not active has nothing to advise.
    lasted_s = (now.line_s if alarm.stands else alarm.ended_s) - alarm.raised_line_s
    told = follows = ""
    stands = kind is AlarmKind.FLOW_STOPPED and known.cause is not Cause.SENSOR_JAMMED
    if event is EventKind.CLEARED:
        if stands:
            told = restarted_advice(about.stock, seen.temperature_c, lasted_s)
    elif known.cause is not Cause.NONE and alarm.active:
        told = advice(kind, known.cause)
        if stands:
            told = f"{told} {restart_advice(about.stock, seen.temperature_c, lasted_s)}"
        follows = _follows(kind, about)
    whole = _event(event, kind, alarm.occurrence, known, told, seen, now)
    return msgspec.structs.replace(
        whole,
        consequence=follows,
        sure=None if why is None else known.sure,
        state=state_of(alarm, suppressed),
        active=alarm.active,
        announce=announce,
        by=by,
        since_utc_s=since_utc_s(alarm, now),
        until_utc_s=until_utc_s(alarm, now),
    )


def _follows(kind: AlarmKind, about: About) -> str:
    """What happens if nothing is done; of a stop also how long an unheated tank stays in its band."""
    now_c = about.seen.temperature_c
    if kind is AlarmKind.TEMPERATURE_LOW and now_c is not None:
        slow, fast = nitrification(now_c)
        return (
            f"{consequence(kind)} Estimate: at {now_c:.1f} °C the media's bacteria work at "
            f"{slow:.0%} to {fast:.0%} of their rate at 25 °C."
        )
    if kind is not AlarmKind.FLOW_STOPPED:
        return consequence(kind)
    said = stop_consequence(about.stock, now_c)
    limit = about.stock.min_c
    hours = None
    if limit is not None and now_c is not None and about.falling is not None:
        hours = hours_until(limit, now_c, about.falling)
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
