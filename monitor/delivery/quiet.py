"""Which messages people get, which wait for the morning, and in what words. Pure.

Quiet hours hold back what can wait; what is of high priority never waits. What was held and is over by
the morning is not told at all.
"""

from __future__ import annotations

from datetime import datetime, time, tzinfo

import msgspec

from monitor.alarms.priority import PRIORITIES
from monitor.records import AlarmKind, Entry, Event, EventKind, Priority


class QuietHours(msgspec.Struct, frozen=True):
    """From one time of the day to another, also over midnight; equal times are no quiet hours."""

    start: time
    end: time

    def at(self, moment: time) -> bool:
        """Return whether a time of the day lies within."""
        if self.start <= self.end:
            return self.start <= moment < self.end
        return moment >= self.start or moment < self.end


def is_for_people(event: Event) -> bool:
    """Return whether people are to be told of an event at all."""
    return event.announce


def may_wait(event: Event) -> bool:
    """Return whether an event may wait for the end of the quiet hours.

    Nor does what may hide a stop: a flow that nobody knows, a reader that is dead.
    """
    if event.alarm in (AlarmKind.FLOW_UNKNOWN, AlarmKind.READER_DEAD):
        return False
    return event.alarm is None or PRIORITIES[event.alarm] is not Priority.HIGH


def for_second(event: Event) -> bool:
    """Return whether an event is for the second channel."""
    return event.event is EventKind.ESCALATED


def held_after(held: tuple[Entry, ...], entry: Entry) -> tuple[Entry, ...]:
    """Return what waits after one more event: the newest word of each alarm, none for what is over."""
    event = entry.event
    same = (event.filter_id, event.alarm)
    left = tuple(
        e for e in held if event.alarm is None or (e.event.filter_id, e.event.alarm) != same
    )
    # Told before the night and over within it, that it is over must be told.
    unheard = any(
        e.event.event is EventKind.RAISED and (e.event.filter_id, e.event.alarm) == same
        for e in held
    )
    if event.event is EventKind.CLEARED and unheard:
        return left
    return (*left, entry)


_HAPPENED = {
    EventKind.RAISED: "",
    EventKind.REPEATED: "still",
    EventKind.ESCALATED: "nobody has acknowledged",
    EventKind.UPDATED: "more is known",
    EventKind.CLEARED: "over",
    EventKind.UNSHELVED: "shelved no more",
    EventKind.IN_SERVICE: "in service again",
    EventKind.SHELVED: "is made silent",
    EventKind.OUT_OF_SERVICE: "is made silent",
}


def title(event: Event, site: str, simulated: bool) -> str:
    """Return the line that a phone shows."""
    where = f"{site}, {event.filter_id}" if event.filter_id else site
    what = str(event.alarm or event.event).replace("-", " ")
    happened = _HAPPENED.get(event.event, "")
    sure = "SIMULATED " if simulated else ""
    return f"{sure}{where}: {what}{f' ({happened})' if happened else ''}"


def body(event: Event, zone: tzinfo | None, synchronised: bool = True) -> str:
    """Return the message: what was seen, how sure, what to do, what happens if nothing is done.

    Args:
        event: of an alarm, or the daily word.
        zone: the reader's time zone; `None` is the board's own.
        synchronised: whether the board's clock was right.
    """
    when = datetime.fromtimestamp(event.utc_s, zone).strftime("%Y-%m-%d %H:%M")
    sure = f" ({event.sure:.0%} sure)" if event.sure is not None else ""
    cause = f"{str(event.cause).replace('-', ' ')}{sure}: " if event.sure is not None else ""
    clock = "" if synchronised else " (the board's clock is not set)"
    lines = [f"{when}{clock}  {cause}{event.evidence}"]
    if event.advice:
        lines.append(f"What to do: {event.advice}")
    if event.consequence:
        lines.append(f"If nothing is done: {event.consequence}")
    return "\n".join(lines)
