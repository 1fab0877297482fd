"""A journal with an invented past: minutes of many days, fouling and cleanings, a stop now and then."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import msgspec

from monitor.app.plans import watch_plans
from monitor.app.sources import rig_plan
from monitor.app.station import Station
from monitor.journal.history import _MINUTE_COLUMNS, minute_values
from monitor.journal.store import Journal
from monitor.records import (
    AlarmKind,
    Assessment,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    MinuteRow,
    Moment,
)
from monitor.sensing.rig import Rig
from monitor.settings.load import load
from monitor.units import m3_per_s

_CLEAN = m3_per_s(900.0)
_CYCLE_MIN = 26 * 1440
_WRITTEN_AT_ONCE = 20000


def write_past(
    folder: Path, filters: Sequence[str], days: float, until_utc_s: float, first_line_s: float = 0.0
) -> None:
    """Put an invented past into the journal of a folder that no daemon uses.

    Args:
        folder: of the journal; made if need be.
        filters: ids, each of the same story a little later.
        days: of minutes, up to `until_utc_s`.
        until_utc_s: where the past ends, by the wall clock.
        first_line_s: where it begins on the line.
    """
    journal = Journal(folder)
    count = int(days * 1440)
    since_s = until_utc_s - count * 60.0
    columns = ", ".join("?" * 12)
    batch: list[tuple[object, ...]] = []
    for n in range(count):
        for place, name in enumerate(filters):
            at = Moment(first_line_s + n * 60.0, since_s + n * 60.0)
            batch.append(minute_values(_minute(name, n + 3000 * place, at)))
        if len(batch) >= _WRITTEN_AT_ONCE or n == count - 1:
            with journal.guarded("write", transaction=True) as link:
                link.executemany(
                    f"INSERT INTO minutes ({_MINUTE_COLUMNS}) VALUES ({columns})", batch
                )
            batch.clear()
    for n in range(count):
        for place, name in enumerate(filters):
            at = Moment(first_line_s + n * 60.0, since_s + n * 60.0)
            events = _events(name, n + 3000 * place, at)
            if events:
                journal.record(at, events)
    journal.close()


def _minute(name: str, n: int, at: Moment) -> MinuteRow:
    grown = (n % _CYCLE_MIN) / _CYCLE_MIN
    share = (1 + 0.9 * math.expm1(3 * grown) / math.expm1(3)) ** -0.5 + 0.006 * math.sin(n / 97)
    flow = 0.0 if _stopped(n) else _CLEAN * share
    water = 25 + 0.4 * math.sin(2 * math.pi * n / 1440)
    return MinuteRow(
        0, name, math.floor(at.line_s / 60), int(at.utc_s), True, 60, 60, flow, flow * 0.98,
        flow * 1.02, _CLEAN, 60, water,
    )  # fmt: skip


def _stopped(n: int) -> bool:
    return n % 14400 >= 14370


def _events(name: str, n: int, at: Moment) -> list[Event]:
    if n % _CYCLE_MIN == 0:
        return [_event(name, EventKind.CLEANED, None, at, "Ada (invented)")]
    if n % 14400 == 14370:
        return [_event(name, EventKind.RAISED, AlarmKind.FLOW_STOPPED, at)]
    if n % 14400 == 0:
        return [_event(name, EventKind.CLEARED, AlarmKind.FLOW_STOPPED, at)]
    return []


def _event(name: str, kind: EventKind, alarm: AlarmKind | None, at: Moment, by: str = "") -> Event:
    return Event(
        name, kind, at.line_s, at.utc_s, alarm, 1 if alarm else 0, m3_per_s(690.0), _CLEAN,
        CleanBasis.MEASURED, 25.0, Cause.PUMP_OR_POWER if alarm else Cause.NONE, "invented", "", by=by,
    )  # fmt: skip


def live_through(file: Path, days: float, until_utc_s: float, due_days: float = 20.0) -> None:
    """Let every filter of a configuration live on the rig, at full speed, up to a time.

    The journal then has what a daemon would have left: states with a forecast, events, minutes.
    """
    tree = load(file).tree
    began_s = until_utc_s - days * 86400.0
    station = Station(watch_plans(tree))
    rigs = {
        name: Rig(msgspec.structs.replace(
            rig_plan(name, tree, seed=1 + n, start_utc_s=began_s, days=days), due_days=due_days
        ))
        for n, name in enumerate(tree.filters)
    }  # fmt: skip
    journal = Journal(Path(tree.storage.folder))
    rows: list[tuple[object, ...]] = []
    now = Moment(0.0, began_s)
    for now in next(iter(rigs.values())).moments():
        readings = [reading for rig in rigs.values() for reading in rig.read(now)]
        events = station.tick(readings, now)
        if events:
            journal.record(now, events)
        rows += [minute_values(_seen(seen, now)) for seen in station.seen.values()]
    with journal.guarded("write", transaction=True) as link:
        columns = ", ".join("?" * 12)
        link.executemany(f"INSERT INTO minutes ({_MINUTE_COLUMNS}) VALUES ({columns})", rows)
    journal.record(now, states=station.saved())
    journal.close()


def _seen(seen: Assessment, now: Moment) -> MinuteRow:
    flow = seen.steady_m3_per_s
    return MinuteRow(
        0, seen.filter_id, math.floor(now.line_s / 60), int(now.utc_s), True, 60,
        0 if flow is None else 60, flow, flow, flow, seen.clean_m3_per_s,
        0 if seen.temperature_c is None else 60, seen.temperature_c,
    )  # fmt: skip
