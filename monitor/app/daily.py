"""The daily word: how every filter stands, in one line with the figures that matter."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.alarms.site import SITE, SITE_KINDS
from monitor.app.picture import sentence
from monitor.app.station import Station
from monitor.records import Cause, CleanBasis, Event, EventKind, Moment


def daily(station: Station, now: Moment, simulated: bool, reminders: Sequence[str] = ()) -> Event:
    """Return the event that says how all filters of a site stand, and what is to be done by date."""
    parts, wrong, running = [], [], station.running()
    for name in station.plans:
        row = station.state_payload(name, now, simulated)
        water = row["temperature_c"]
        warm = f" Water {water:.1f} °C." if isinstance(water, float) else ""
        parts.append(f"{name}: {sentence(row, None)}{warm}")
        if not running[name] and not row["alarms"]:
            wrong.append(f"whether water moves in {name} is not known")
        if row["pause"] is not None:
            wrong.append(f"{name} paused for {row['pause']}")
        wrong += [f"{name} {str(kind).replace('-', ' ')}" for kind in _names(row["alarms"])]
    wrong += [k.replace("-", " ") for k in SITE_KINDS if station.site.alarm(k).active]
    parts += [f"Reminder: {words}." for words in reminders]
    first = f"Needs a look: {', '.join(wrong)}." if wrong else "All is well."
    return Event(
        filter_id=SITE, event=EventKind.DAILY, line_s=now.line_s, utc_s=now.utc_s, alarm=None,
        occurrence=0, flow_m3_per_s=None, clean_m3_per_s=None, clean_basis=CleanBasis.NONE,
        temperature_c=None, cause=Cause.NONE, evidence=" ".join([first, *parts]), advice="",
        announce=True,
    )  # fmt: skip


def _names(alarms: object) -> list[str]:
    return [str(kind) for kind in alarms] if isinstance(alarms, list) else []
