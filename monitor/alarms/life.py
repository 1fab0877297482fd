"""One alarm's life, as IEC 62682 and ISA-18.2 describe it; it is part of the state that is saved.

Two bits that do not depend on each other: whether the alarm is active, and whether a person has
acknowledged it. `live` moves the first by the conditions and their delays, people move the second
(`acknowledged`), and `announcing` decides what is said when. Whatever makes an alarm silent, a
shelving, an acknowledgement, a cause that suppresses it, ends by itself or is judged anew each step.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

from monitor.alarms.rules import Wish
from monitor.records import AlarmState, EventKind, Moment, Priority


class QuietKind(StrEnum):
    """Why a person wants to hear nothing of an alarm."""

    SHELVED = "shelved"
    OUT_OF_SERVICE = "out of service"


class Quiet(msgspec.Struct, frozen=True, gc=False):
    """A person wants to hear nothing of this alarm; it ends by itself at a time on the line."""

    kind: QuietKind
    until_s: float


class Alarm(msgspec.Struct, frozen=True, gc=False):
    """One alarm of one filter, or of the site.

    `occurrence` counts how often it was raised. `on_s` and `off_s` are how long the raise and the
    clear condition have held without a break. `latched`: its condition is over, it waits for a
    person. `since_s` is since when it has been unacknowledged, or when it was acknowledged. `tells`
    are the last times at which it was announced, `told` the occurrence that was, `repeats` how often
    that was said again. `ended_s` is when its condition was last over.
    """

    active: bool = False
    occurrence: int = 0
    on_s: float = 0.0
    off_s: float = 0.0
    raised_line_s: float = 0.0
    raised_utc_s: float = 0.0
    unacknowledged: bool = False
    latched: bool = False
    quiet: Quiet | None = None
    since_s: float = 0.0
    tells: tuple[float, ...] = ()
    told: int = 0
    repeats: int = 0
    escalated: bool = False
    ended_s: float = 0.0

    @property
    def stands(self) -> bool:
        """Whether its condition is there now; a latched alarm only waits for a person."""
        return self.active and not self.latched


NEVER = Alarm()


class Announcing(msgspec.Struct, frozen=True, gc=False):
    """How long an alarm may stand unheard, in seconds.

    It is said again after `repeat_s`, then after twice that, and so on up to `repeat_at_most_s`.
    Nobody having acknowledged one of high priority after `escalate_s`, it goes to the second channel
    too. An acknowledgement holds for `acknowledged_for_s`: what still stands then is said again. One
    of low priority is said again only every `repeat_at_most_s`, and acknowledged for
    `low_acknowledged_for_s`.
    """

    repeat_s: float = 3600.0
    repeat_at_most_s: float = 86400.0
    escalate_s: float = 900.0
    acknowledged_for_s: float = 43200.0
    low_acknowledged_for_s: float = 7 * 86400.0


# Three announcements within half an hour are a flutter: then only what stands for ten minutes is said.
# ISA-18.2 counts three activations within a minute as chattering (as quoted in the open literature);
# a filter with air in it comes and goes more slowly.
_FLUTTER, _FLUTTER_S, _STANDS_S = 3, 1800.0, 600.0


def live(old: Alarm, wish: Wish, span_s: float, line_s: float, utc_s: float) -> Alarm:
    """Return the alarm after `span_s` seconds in which the wish's conditions held.

    `active` differs from before exactly when the alarm is raised or cleared. An alarm that latches
    is cleared only once its condition is over and it has been acknowledged.
    """
    if not old.active:
        if not wish.wanted:
            return old if old.on_s == 0.0 else msgspec.structs.replace(old, on_s=0.0)
        held = old.on_s + span_s
        if held < wish.on_delay_s:
            return msgspec.structs.replace(old, on_s=held)
        return msgspec.structs.replace(
            old, active=True, occurrence=old.occurrence + 1, on_s=0.0, off_s=0.0,
            raised_line_s=line_s, raised_utc_s=utc_s, unacknowledged=True, latched=False,
            # What comes and goes escalates from when it began; what was over for long begins anew.
            since_s=old.since_s if _again(old, line_s) else line_s,
            escalated=old.escalated and _again(old, line_s), repeats=0,
        )  # fmt: skip
    if old.latched:
        return _waiting(old, wish, span_s, line_s)
    if not wish.over:
        return old if old.off_s == 0.0 else msgspec.structs.replace(old, off_s=0.0)
    held = old.off_s + span_s
    if held < wish.off_delay_s:
        return msgspec.structs.replace(old, off_s=held)
    if wish.latches and old.unacknowledged:
        return msgspec.structs.replace(old, on_s=0.0, off_s=0.0, latched=True, ended_s=line_s)
    return msgspec.structs.replace(old, active=False, on_s=0.0, off_s=0.0, ended_s=line_s)


def _waiting(old: Alarm, wish: Wish, span_s: float, line_s: float) -> Alarm:
    """A latched alarm: acknowledged it is over, and its condition coming back it is said anew."""
    if not wish.wanted:
        if not old.unacknowledged:
            return msgspec.structs.replace(old, active=False, on_s=0.0, off_s=0.0, latched=False)
        return old if old.on_s == 0.0 else msgspec.structs.replace(old, on_s=0.0)
    held = old.on_s + span_s
    if held < wish.on_delay_s:
        return msgspec.structs.replace(old, on_s=held)
    return msgspec.structs.replace(
        _unheard(old, line_s), latched=False, on_s=0.0, off_s=0.0, raised_line_s=line_s
    )


def _again(old: Alarm, line_s: float) -> bool:
    """Whether an alarm that is raised now is still the same trouble as before."""
    return old.unacknowledged and line_s - old.ended_s < _FLUTTER_S


def acknowledged(old: Alarm, line_s: float) -> Alarm:
    """Return the alarm that a person has seen; the same when there was nothing to see."""
    if not old.unacknowledged:
        return old
    return msgspec.structs.replace(
        old, unacknowledged=False, since_s=line_s, repeats=0, escalated=False
    )


def hushed(old: Alarm, quiet: Quiet | None) -> Alarm:
    """Return the alarm shelved or out of service, or with `None` back among the others."""
    return msgspec.structs.replace(old, quiet=quiet)


def unheard_if_unacknowledged(alarm: Alarm) -> Alarm:
    """Return the alarm after a person's quiet: what nobody has acknowledged is said anew."""
    if not alarm.unacknowledged:
        return alarm
    return msgspec.structs.replace(alarm, told=0, tells=())


def state_of(alarm: Alarm, suppressed: bool) -> AlarmState:
    """Return the state in the standard's words."""
    if alarm.quiet is not None and alarm.quiet.kind is QuietKind.OUT_OF_SERVICE:
        return AlarmState.OUT_OF_SERVICE
    if suppressed:
        return AlarmState.SUPPRESSED
    if alarm.quiet is not None:
        return AlarmState.SHELVED
    if alarm.latched:
        return AlarmState.LATCHED
    if alarm.active:
        unheard = alarm.unacknowledged
        return AlarmState.UNACKNOWLEDGED if unheard else AlarmState.ACKNOWLEDGED
    return AlarmState.RETURNED if alarm.unacknowledged else AlarmState.NORMAL


def announcing(
    old: Alarm, how: Announcing, priority: Priority, suppressed: bool, line_s: float
) -> tuple[Alarm, EventKind | None]:
    """Return what is to be said of an alarm now, apart from that it is raised or cleared.

    The kind is `REPEATED` (it stands and is said again, or for the first time), `ESCALATED`,
    `UNSHELVED` or `IN_SERVICE` (a person's quiet is over), or `None`.
    """
    if old.quiet is not None:
        if line_s < old.quiet.until_s:
            return old, None
        over = EventKind.UNSHELVED if old.quiet.kind is QuietKind.SHELVED else EventKind.IN_SERVICE
        heard = msgspec.structs.replace(old, quiet=None)
        if not heard.active:
            return heard, over
        heard = _unheard(heard, line_s)
        return (heard if suppressed else said(heard, line_s)), over
    if not old.active or suppressed:
        return old, None
    since_s, low = line_s - old.since_s, priority is Priority.LOW
    if not old.unacknowledged:
        if since_s < (how.low_acknowledged_for_s if low else how.acknowledged_for_s):
            return old, None
        return said(_unheard(old, line_s), line_s), EventKind.REPEATED
    if old.told != old.occurrence:
        stands = line_s - old.raised_line_s >= _STANDS_S
        if stands or not _flutters(old, line_s):
            return said(old, line_s), EventKind.REPEATED
    elif line_s - (old.tells[-1] if old.tells else 0.0) >= (
        how.repeat_at_most_s if low else min(how.repeat_s * 2.0**old.repeats, how.repeat_at_most_s)
    ):
        again = msgspec.structs.replace(old, repeats=min(old.repeats + 1, 30))
        return said(again, line_s), EventKind.REPEATED
    if priority is Priority.HIGH and not old.escalated and since_s >= how.escalate_s:
        return msgspec.structs.replace(old, escalated=True), EventKind.ESCALATED
    return old, None


def since_utc_s(alarm: Alarm, now: Moment) -> float | None:
    """Return when the alarm was raised last, by the clock of now; `None` if it never was."""
    if not alarm.occurrence:
        return None
    return now.utc_s - (now.line_s - alarm.raised_line_s)


def until_utc_s(alarm: Alarm, now: Moment) -> float | None:
    """Return when a person's quiet ends, by the clock of now; `None` where there is none."""
    if alarm.quiet is None:
        return None
    return now.utc_s + (alarm.quiet.until_s - now.line_s)


def may_be_said(alarm: Alarm, suppressed: bool, line_s: float) -> bool:
    """Return whether an alarm that has just been raised is announced at once."""
    return not suppressed and alarm.quiet is None and not _flutters(alarm, line_s)


def said(alarm: Alarm, line_s: float) -> Alarm:
    """Return the alarm of which people have just been told."""
    tells = (*alarm.tells, line_s)[-_FLUTTER:]
    return msgspec.structs.replace(alarm, tells=tells, told=alarm.occurrence)


def _unheard(alarm: Alarm, line_s: float) -> Alarm:
    return msgspec.structs.replace(
        alarm, unacknowledged=True, since_s=line_s, repeats=0, escalated=False, told=0
    )


def _flutters(alarm: Alarm, line_s: float) -> bool:
    tells = alarm.tells
    return len(tells) == _FLUTTER and line_s - tells[0] < _FLUTTER_S
