"""Pairs events into what a person would call one thing: a stop, a cleaning, a pause."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec

from monitor.condition.oxygen import until_short
from monitor.records import AlarmKind, Cause, Event, EventKind
from monitor.reporting.hours import Span

_DEEDS = frozenset({
    EventKind.CLEANED, EventKind.CLEANED_UNDONE, EventKind.PAUSED, EventKind.PAUSE_ENDED,
    EventKind.ACKNOWLEDGED, EventKind.SHELVED, EventKind.UNSHELVED, EventKind.OUT_OF_SERVICE,
    EventKind.IN_SERVICE,
})  # fmt: skip


class Incident(msgspec.Struct, frozen=True):
    """One time that an alarm stood.

    `ended_utc_s` is `None` while it stands, or when its end is not on record (`lost_end`); `lasted_s` is
    taken on the line that only goes forward, `None` with the end. `cause` and `evidence` are the last that
    were said of it. `by` acknowledged it `after_s` seconds after it was raised, `None` if nobody did.
    """

    filter_id: str
    alarm: AlarmKind
    raised_utc_s: float
    ended_utc_s: float | None
    lasted_s: float | None
    lost_end: bool
    cause: Cause
    evidence: str
    temperature_c: float | None
    by: str | None
    after_s: float | None


class Cleaning(msgspec.Struct, frozen=True):
    """One cleaning that was not taken back; flows in m³/s.

    `clean_m3_per_s` is the clean flow that held before it, `learned_m3_per_s` the one learned after it,
    `None` while that is not known. `renewed` tells another pump or filter from a cleaning.
    """

    utc_s: float
    by: str
    clean_m3_per_s: float | None
    learned_m3_per_s: float | None
    renewed: bool = False


def incidents(events: Iterable[Event], filter_id: str, span: Span) -> list[Incident]:
    """Return every alarm of a filter that stood in a span, in the order they were raised.

    Args:
        events: oldest first, also from before the span and after it.
        filter_id: whose; empty for the site.
        span: of which time.
    """
    found: list[Incident] = []
    standing: dict[AlarmKind, tuple[Incident, float]] = {}
    for event in events:
        if event.filter_id != filter_id or event.alarm is None:
            continue
        if event.event is EventKind.RAISED:
            if (old := standing.pop(event.alarm, None)) is not None:
                found.append(msgspec.structs.replace(old[0], lost_end=True))
            standing[event.alarm] = _begun(event), event.line_s
            continue
        if (now := standing.get(event.alarm)) is None:
            continue
        incident, raised_line_s = now
        if event.event is EventKind.CLEARED:
            del standing[event.alarm]
            found.append(msgspec.structs.replace(
                incident, ended_utc_s=event.utc_s, lasted_s=max(0.0, event.line_s - raised_line_s)
            ))  # fmt: skip
        else:
            standing[event.alarm] = _followed(incident, event, raised_line_s), raised_line_s
    found += [incident for incident, _ in standing.values()]
    return sorted((i for i in found if _within(i, span)), key=lambda i: i.raised_utc_s)


def _begun(event: Event) -> Incident:
    assert event.alarm is not None
    return Incident(
        event.filter_id, event.alarm, event.utc_s, None, None, False, event.cause, event.evidence,
        event.temperature_c, None, None,
    )  # fmt: skip


def _followed(incident: Incident, event: Event, raised_line_s: float) -> Incident:
    new = incident
    if event.event is EventKind.UPDATED and event.cause is not Cause.NONE:
        new = msgspec.structs.replace(new, cause=event.cause, evidence=event.evidence)
    if event.event is EventKind.ACKNOWLEDGED and incident.by is None:
        after_s = max(0.0, event.line_s - raised_line_s)
        new = msgspec.structs.replace(new, by=event.by, after_s=after_s)
    return new


def _within(incident: Incident, span: Span) -> bool:
    """One whose end is not on record is only told of the span in which it was raised."""
    if incident.raised_utc_s >= span.end_utc_s:
        return False
    if incident.lost_end:
        return incident.raised_utc_s >= span.start_utc_s
    return incident.ended_utc_s is None or incident.ended_utc_s >= span.start_utc_s


def cleanings(events: Iterable[Event], filter_id: str, span: Span) -> list[Cleaning]:
    """Return the cleanings of a filter in a span; one that was taken back is none."""
    found: list[Cleaning] = []
    for event in events:
        if event.filter_id != filter_id:
            continue
        if event.event is EventKind.CLEANED:
            renewed = event.evidence.startswith("another")
            found.append(Cleaning(event.utc_s, event.by, event.clean_m3_per_s, None, renewed))
        elif event.event is EventKind.CLEANED_UNDONE and found:
            found.pop()
        elif (
            event.event is EventKind.CLEAN_FLOW_LEARNED
            and found
            and found[-1].learned_m3_per_s is None
        ):
            found[-1] = msgspec.structs.replace(found[-1], learned_m3_per_s=event.clean_m3_per_s)
    return [c for c in found if span.start_utc_s <= c.utc_s < span.end_utc_s]


def deeds(events: Iterable[Event], filter_id: str, span: Span) -> list[Event]:
    """Return what people did to a filter in a span."""
    return [
        e
        for e in events
        if e.filter_id == filter_id
        and e.event in _DEEDS
        and span.start_utc_s <= e.utc_s < span.end_utc_s
    ]


def observations(
    events: Iterable[Event], filter_id: str, span: Span
) -> list[tuple[Cause, int, Event]]:
    """Return what the statistics noticed in a span: cause, how often, the last of them."""
    found: dict[Cause, tuple[int, Event]] = {}
    for event in events:
        mine = event.filter_id == filter_id and event.event is EventKind.OBSERVED
        if mine and span.start_utc_s <= event.utc_s < span.end_utc_s:
            found[event.cause] = found.get(event.cause, (0, event))[0] + 1, event
    return [(cause, count, last) for cause, (count, last) in found.items()]


def oxygen_words(
    lasted_s: float, temperature_c: float | None, salinity: float, stocking: str
) -> str:
    """Return whether the canister's water ran short of oxygen in a stop: not, perhaps, or likely.

    An estimate from temperature, salt and stocking (`monitor.condition.oxygen`); nobody measured it.
    """
    short = until_short(temperature_c, salinity, stocking)
    if lasted_s < short.soonest_h * 3600.0:
        return "no"
    return "perhaps" if lasted_s < short.latest_h * 3600.0 else "likely"


def together_s(found: Sequence[Incident], span: Span, known_until_utc_s: float) -> float:
    """Return how long incidents of one kind stood within a span, all together, by the wall clock.

    One that stands is counted to the end of the record; one whose end is not on record is not counted.
    """
    whole_s = 0.0
    for incident in found:
        if incident.lost_end:
            continue
        ended_s = incident.ended_utc_s if incident.ended_utc_s is not None else known_until_utc_s
        whole_s += max(
            0.0, min(ended_s, span.end_utc_s) - max(incident.raised_utc_s, span.start_utc_s)
        )
    return whole_s
