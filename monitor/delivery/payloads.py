"""What goes out, as JSON in units for people and other programs. Pure.

Described for others in deploy/asyncapi.yaml; a test holds the two together. Times are ISO 8601 in
UTC, flows L/h, temperatures °C; a value that is not known is null.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import msgspec

from monitor.alarms.priority import PRIORITIES
from monitor.records import (
    AlarmKind,
    AlarmState,
    Assessment,
    Cause,
    CleanBasis,
    Event,
    Moment,
    Outlook,
    Quality,
)
from monitor.units import SECONDS_PER_DAY, l_per_h

FORMAT = 1
"""Version of all payloads; it grows when a field changes its meaning or goes."""


class Run(msgspec.Struct, frozen=True):
    """A run of the daemon: its id, the journal's, and when it began on the line that only goes forward."""

    journal: str
    id: str
    began_line_s: float


def iso(utc_s: float) -> str:
    """Return a time as `2026-03-01T08:00:00.000Z`."""
    stamp = datetime.fromtimestamp(utc_s, UTC)
    return stamp.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def litres_per_hour(flow_m3_per_s: float | None) -> float | None:
    """Return a flow in L/h rounded to a tenth, `None` for none."""
    return None if flow_m3_per_s is None else round(l_per_h(flow_m3_per_s), 1)


def share(part: float | None, whole: float | None) -> float | None:
    """Return part over whole rounded to a thousandth, `None` where either is unknown."""
    return None if part is None or not whole else round(part / whole, 3)


def _line(line_s: float) -> float:
    return round(line_s, 3)


def _degrees(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def event(happened: Event) -> dict[str, Any]:
    """Return an event's own fields: the same in topics, in `--json` output and in files."""
    return {
        "time": iso(happened.utc_s),
        "line_s": _line(happened.line_s),
        "filter": happened.filter_id or None,
        "alarm": happened.alarm,
        "event": happened.event,
        "occurrence": happened.occurrence,
        "flow_l_per_h": litres_per_hour(happened.flow_m3_per_s),
        "clean_flow_l_per_h": litres_per_hour(happened.clean_m3_per_s),
        "clean_flow_basis": happened.clean_basis,
        "temperature_c": _degrees(happened.temperature_c),
        "cause": happened.cause,
        "evidence": happened.evidence,
        "advice": happened.advice,
        "consequence": happened.consequence,
        "sure": happened.sure,
        "priority": None if happened.alarm is None else PRIORITIES[happened.alarm],
        "state": None if happened.alarm is None else happened.state,
        "since": None if happened.since_utc_s is None else iso(happened.since_utc_s),
        "until": None if happened.until_utc_s is None else iso(happened.until_utc_s),
        "announce": happened.announce,
        "by": happened.by,
    }


def alarm(happened: Event, simulated: bool = False) -> dict[str, Any]:
    """Return the standing of one alarm, from the event that changed it last."""
    fields = event(happened)
    del fields["event"], fields["announce"]
    return {
        "format": FORMAT,
        "active": happened.active,
        "simulated": simulated,
        **fields,
    }


def never(filter_id: str, kind: AlarmKind, simulated: bool = False) -> dict[str, Any]:
    """Return the standing of an alarm that has not been raised yet."""
    return {
        "format": FORMAT,
        "active": False,
        "simulated": simulated,
        "time": None,
        "line_s": None,
        "filter": filter_id or None,
        "alarm": kind,
        "occurrence": 0,
        "flow_l_per_h": None,
        "clean_flow_l_per_h": None,
        "clean_flow_basis": CleanBasis.NONE,
        "temperature_c": None,
        "cause": Cause.NONE,
        "evidence": "",
        "advice": "",
        "consequence": "",
        "sure": None,
        "priority": PRIORITIES[kind],
        "state": AlarmState.NORMAL,
        "since": None,
        "until": None,
        "by": "",
    }


def state(
    seen: Assessment,
    now: Moment,
    alarms: Mapping[str, bool],
    states: Mapping[str, AlarmState],
    phase: str,
    simulated: bool,
    ahead: Outlook | None = None,
    paused: str | None = None,
    error_m3_per_s: float | None = None,
    in_band: float | None = None,
) -> dict[str, Any]:
    """Return the newest picture of one filter."""
    fine = seen.flow_quality in (Quality.GOOD, Quality.COLLECTING)
    return {
        "format": FORMAT,
        "time": iso(now.utc_s),
        "line_s": _line(now.line_s),
        "clock_synchronised": now.synchronised,
        "filter": seen.filter_id,
        "flow_l_per_h": litres_per_hour(seen.steady_m3_per_s) if fine else None,
        "flow_uncertainty_l_per_h": litres_per_hour(error_m3_per_s) if fine else None,
        "flow_quality": seen.flow_quality,
        "clean_flow_l_per_h": litres_per_hour(seen.clean_m3_per_s),
        "clean_flow_basis": seen.clean_basis,
        "share_of_clean": share(seen.steady_m3_per_s, seen.clean_m3_per_s) if fine else None,
        "learning": phase,
        "temperature_c": _degrees(seen.temperature_c),
        "temperature_quality": seen.temperature_quality,
        "temperature_in_band": None if in_band is None else round(in_band, 3),
        "fouling": None if ahead is None else round(ahead.fouling, 3),
        "cleaning_due": None if ahead is None else due(ahead),
        "alarms": sorted(name for name, active in alarms.items() if active),
        "alarm_states": {k: v for k, v in sorted(states.items()) if v is not AlarmState.NORMAL},
        "pause": paused,
        "simulated": simulated,
    }


def site(alarms: Mapping[str, bool], states: Mapping[str, AlarmState]) -> dict[str, Any]:
    """Return how the alarms of the site itself stand."""
    return {
        "alarms": sorted(name for name, active in alarms.items() if active),
        "alarm_states": {k: v for k, v in sorted(states.items()) if v is not AlarmState.NORMAL},
    }


def due(ahead: Outlook) -> dict[str, Any]:
    """Return when cleaning will be due, in days from the state's time; null where nobody knows."""

    def days(seconds: float | None) -> float | None:
        return None if seconds is None else round(seconds / SECONDS_PER_DAY, 1)

    return {
        "low_days": days(ahead.low_s),
        "median_days": days(ahead.median_s),
        "high_days": days(ahead.high_s),
        "trend": ahead.trend,
        "growth": ahead.shape,
    }


def presence(
    word: str, run: Run, connection: int, utc_s: float | None, version: str
) -> dict[str, Any]:
    """Return a birth, will or farewell; a will has no time, since nobody knows when it is sent.

    `connection` counts the connections of the run, so that words that come late or in another order
    can be put in theirs.
    """
    return {
        "format": FORMAT,
        "presence": word,
        "journal": run.journal,
        "run": run.id,
        "began_line_s": _line(run.began_line_s),
        "connection": connection,
        "time": None if utc_s is None else iso(utc_s),
        "version": version,
    }


def heartbeat(
    now: Moment, run: str, version: str, alarms: Mapping[str, bool], filters: Mapping[str, bool]
) -> dict[str, Any]:
    """Return the sign of life: who is watched, which of the site's alarms stand.

    Args:
        now: the moment.
        run, version: of the daemon.
        alarms: the site's alarms, and whether each is active.
        filters: whether water is known to move in each.
    """
    return {
        "format": FORMAT,
        "time": iso(now.utc_s),
        "line_s": _line(now.line_s),
        "clock_synchronised": now.synchronised,
        "run": run,
        "version": version,
        "alarms": sorted(name for name, active in alarms.items() if active),
        "running": sorted(name for name, runs in filters.items() if runs),
        "not_running": sorted(name for name, runs in filters.items() if not runs),
    }


def answer(now_utc_s: float, order: str | None, filter_id: str | None, said: str) -> dict[str, Any]:
    """Return the answer to an order; `order` is null where it could not be read."""
    return {
        "format": FORMAT,
        "time": iso(now_utc_s),
        "order": order,
        "filter": filter_id or None,
        "accepted": said.startswith("done"),
        "answer": said,
    }


def identified(
    fields: Mapping[str, Any],
    site: str,
    journal: str,
    run: str,
    seq: int,
    simulated: bool = False,
    synchronised: bool = True,
) -> bytes:
    """Return an event ready to send; receivers drop a second one with the same id.

    `synchronised` says whether its time is of a clock that was right.
    """
    whole = {
        "format": FORMAT,
        "id": f"{site}.{journal}.{seq}",
        "site": site,
        "journal": journal,
        "run": run,
        "sequence": seq,
        "clock_synchronised": synchronised,
        "simulated": simulated,
        **fields,
    }
    return msgspec.json.encode(whole)


def basis_words(basis: CleanBasis) -> str:
    """Return in words where a clean flow comes from."""
    return {
        CleanBasis.NONE: "not known yet",
        CleanBasis.PREDICTED: "predicted by the sizing model",
        CleanBasis.PROVISIONAL: "still being learned",
        CleanBasis.MEASURED: "measured",
    }[basis]
