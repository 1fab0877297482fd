"""A filter's past for the web page: its course in even steps, cleanings, stops."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.condition.cycle import CyclePlan
from monitor.condition.fouling import resistance
from monitor.journal.onlooker import Onlooker, course
from monitor.page.port import Deed, History, Stop
from monitor.records import AlarmKind, Entry, EventKind
from monitor.units import SECONDS_PER_DAY, l_per_h

_STEPS = 240
_MOST_EVENTS = 2000
_LEAST_SHARE = 0.05  # of clean: below, water stands, and a standing filter says nothing of dirt

Live = tuple[float, float | None, float | None, float | None]


def history(
    journal: Onlooker,
    filter_id: str,
    plan: CyclePlan,
    days: float,
    now_s: float,
    recent: Sequence[Live],
) -> History:
    """Return a filter's past.

    Args:
        journal: read from.
        filter_id: which filter.
        plan: the limit, and n of the filter's curve.
        days: how far back.
        now_s: the wall clock.
        recent: time, flow and clean flow in L/h and °C that the journal may not have yet.

    Raises:
        StorageError: the journal cannot be read.
    """
    since_s = now_s - days * SECONDS_PER_DAY
    found = course(journal, filter_id, since_s, now_s, _STEPS)
    step_s = days * SECONDS_PER_DAY / _STEPS
    utc_s = list(found.utc_s)
    flow, low, high, clean = (
        [None if v is None else l_per_h(v) for v in values]
        for values in (found.flow, found.lowest, found.highest, found.clean)
    )
    warm, running = (
        list(found.temperature),
        [None if v is None else l_per_h(v) for v in found.running],
    )
    for at_s, l_now, l_clean, c_now in _newer(recent, utc_s[-1] if utc_s else since_s, step_s):
        utc_s.append(at_s)
        flow.append(l_now)
        low.append(l_now)
        high.append(l_now)
        running.append(l_now)
        clean.append(l_clean)
        warm.append(c_now)
    entries = journal.deeds_and_stops(filter_id, since_s, _MOST_EVENTS)
    return History(
        since_s, now_s, step_s, utc_s, flow, low, high, clean,
        [_fouling(f, c, plan) for f, c in zip(running, clean, strict=True)], warm,
        tuple(_deeds(entries)), tuple(_stops(entries)),
    )  # fmt: skip


def _newer(recent: Sequence[Live], last_s: float, step_s: float) -> list[Live]:
    """The live points behind the journal's newest step: one a step, or some in a short gap."""
    found: list[Live] = []
    for point in recent:
        if point[0] > last_s + 0.5 * step_s and (
            not found or point[0] - found[-1][0] >= max(step_s / 4, 30.0)
        ):
            found.append(point)
    return found


def _fouling(flow: float | None, clean: float | None, plan: CyclePlan) -> float | None:
    if flow is None or not clean or flow / clean < _LEAST_SHARE:
        return None
    return resistance(flow / clean, plan.exponent) / resistance(plan.due_share, plan.exponent)


def _deeds(entries: Sequence[Entry]) -> list[Deed]:
    return [
        Deed(
            e.event.utc_s,
            e.event.event is EventKind.CLEANED_UNDONE,
            e.event.by,
            None if e.event.flow_m3_per_s is None else l_per_h(e.event.flow_m3_per_s),
            None if e.event.clean_m3_per_s is None else l_per_h(e.event.clean_m3_per_s),
        )
        for e in entries
        if e.event.alarm is None
    ]


def _stops(entries: Sequence[Entry]) -> list[Stop]:
    """From raised to cleared; what was cleared before the span began is not shown."""
    found: list[Stop] = []
    for entry in entries:
        event = entry.event
        if event.alarm is not AlarmKind.FLOW_STOPPED:
            continue
        if event.event is EventKind.RAISED:
            found.append(Stop(event.utc_s, None, event.cause, event.evidence))
        elif event.event is EventKind.CLEARED and found and found[-1].to_utc_s is None:
            last = found[-1]
            found[-1] = Stop(last.from_utc_s, event.utc_s, last.cause, last.evidence)
    return found
