"""A recording through the same judging as live water, as fast as it goes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec

from monitor.alarms.rules import Limits
from monitor.alarms.watch import WatchPlan
from monitor.app.station import Station
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan
from monitor.condition.reference import Learning
from monitor.delivery import payloads
from monitor.records import Event, EventKind, Moment
from monitor.sensing.recording import Recording
from monitor.units import LITRES_PER_M3

DEFAULT_LEARN_S = 300.0
# Where no sensor is described nothing is known of its range: the highest flow that is believed is
# that of a large pond pump, 360 m³/h.
_ANY_FLOW_M3_PER_S = 0.1
_STEADY_WITHIN = 0.06


class Summary(msgspec.Struct):
    """What a replay went through."""

    rows: int = 0
    span_s: float = 0.0
    raised: int = 0
    clean_m3_per_s: float | None = None


def unknown_filter(
    filter_id: str, pulses_per_litre: float, learn_s: float, limits: Limits
) -> WatchPlan:
    """Return a plan for a recording of a filter that nobody described: clean is its beginning."""
    return WatchPlan(
        ConditionPlan(
            filter_id,
            Sensor(pulses_per_litre * LITRES_PER_M3, _ANY_FLOW_M3_PER_S),
            Learning(0.0, learn_s, _STEADY_WITHIN),
        ),
        limits,
    )


def replay(
    recording: Recording,
    plan: WatchPlan,
    tell: Callable[[dict[str, Any]], None],
    every: Callable[[Moment], None] | None = None,
) -> Summary:
    """Run a recording to its end.

    Args:
        recording: the source.
        plan: of the filter that was recorded.
        tell: called with the fields of each event as it happens: those of the event topic, with
            `time` in the recording's own form and `elapsed_s` since its first row.
        every: called with each moment, for a progress bar.

    Raises:
        RecordingError: the file cannot be read.
    """
    station, summary = Station({plan.condition.filter_id: plan}), Summary()
    now: Moment | None = None
    for now in recording.moments():
        for event in station.tick(recording.read(now), now):
            summary.raised += event.event is EventKind.RAISED
            tell(fields(event, recording))
        if every is not None:
            every(now)
    summary.rows = recording.rows
    if now is not None and recording.first_s is not None:
        summary.span_s = now.line_s - recording.first_s
    state = station.states[plan.condition.filter_id]
    summary.clean_m3_per_s = state.condition.reference.clean
    return summary


def fields(event: Event, recording: Recording) -> dict[str, Any]:
    """Return an event's fields with the recording's own time."""
    found = payloads.event(event)
    if not recording.calendar:
        found["time"] = event.line_s
        if event.since_utc_s is not None:  # of a recording in seconds both clocks are one
            found["since"] = event.since_utc_s
    found["elapsed_s"] = round(event.line_s - (recording.first_s or 0.0), 3)
    return found


def standing(summary: Summary) -> str:
    """Return in words what came of it."""
    clean = payloads.litres_per_hour(summary.clean_m3_per_s)
    learned = f"clean flow {clean:g} L/h" if clean is not None else "no clean flow learned"
    return f"{summary.raised} alarms raised, {learned}"
