"""How a site stands, read from outside the daemon: its live file, else its journal."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from monitor.alarms.watch import WatchPlan
from monitor.app.plans import watch_plans
from monitor.app.station import Station
from monitor.delivery import payloads
from monitor.errors import StorageError
from monitor.journal.file import FILE_NAME
from monitor.journal.store import Journal
from monitor.records import CleanBasis, EventKind, Moment, Quality
from monitor.runtime.lock import running_process
from monitor.settings.model import SettingsTree, SourceKind
from monitor.units import duration_words

_FRESH_FOR_S = 5.0
_LOOKED_THROUGH = 5000


class Picture(msgspec.Struct):
    """What `canister status` shows. `source` says where it comes from and how old it is, `live` whether
    the daemon wrote it within the last seconds.
    """

    source: str
    filters: list[dict[str, Any]]
    events: list[dict[str, Any]]
    troubles: list[str]
    site: dict[str, Any]
    live: bool = False
    running: bool = False
    age_s: float = 0.0


def look(tree: SettingsTree, events: int, utc_s: float, observations: bool = False) -> Picture:
    """Return how a site stands.

    Raises:
        StorageError: there is no journal yet, or it cannot be read.
    """
    journal = opened(tree)
    try:
        return look_in(journal, tree, events, utc_s, observations)
    finally:
        journal.close()


def opened(tree: SettingsTree) -> Journal:
    """Return the journal of a site, for looking into it; opening it looks through the whole file.

    Raises:
        StorageError: there is no journal yet, or it cannot be read.
    """
    folder = Path(tree.storage.folder)
    if not (folder / FILE_NAME).is_file():
        raise StorageError(
            f"{folder / FILE_NAME}: no journal yet; start canister run, or set storage.folder to "
            "where it is"
        )
    return Journal(folder, mend=False)


def look_in(
    journal: Journal,
    tree: SettingsTree,
    events: int,
    utc_s: float,
    observations: bool = False,
    plans: Mapping[str, WatchPlan] | None = None,
) -> Picture:
    """Return how a site stands, from a journal that is open; `plans` spares working them out.

    Raises:
        StorageError: the journal cannot be read.
    """
    happened = _last_events(journal, events, observations)
    live = _live(tree.storage.live_file, utc_s)
    process = running_process(journal.folder)
    if live is not None:
        rows = list(live["filters"].values())
        troubles = [
            f"{h['part']}: {h['line']}" + (f"; {h['remedy']}" if h["remedy"] else "")
            for h in live["health"]
            if not h["working"]
        ]
        of_site = live["site_alarms"]
        source = f"live, process {live['process']}"
        age_s = max(0.0, utc_s - float(live["written_utc_s"]))
    else:
        rows, of_site, age_s = from_journal(tree, journal, utc_s, plans)
        troubles = []
        source = (
            f"running (process {process}), as of {duration_words(age_s)} ago"
            if process is not None
            else f"canister run is not running; as of {duration_words(age_s)} ago"
        )
    for row in rows:
        row["sentence"] = sentence(row, age_s if live is None and process is None else None)
        row["clean_flow_words"] = payloads.basis_words(CleanBasis(row["clean_flow_basis"]))
        row["watched"] = process is not None
    return Picture(
        source, rows, happened, troubles, of_site, live is not None, process is not None, age_s
    )


def _last_events(journal: Journal, count: int, observations: bool) -> list[dict[str, Any]]:
    """The newest events; observations, which are many, only where they are asked for."""
    if not count:
        return []
    entries = journal.last_entries(count if observations else _LOOKED_THROUGH)
    told = [e.event for e in entries if observations or e.event.event is not EventKind.OBSERVED]
    return [payloads.event(e) for e in told[-count:]]


def _live(name: str, utc_s: float) -> dict[str, Any] | None:
    if not name:
        return None
    try:
        found: dict[str, Any] = msgspec.json.decode(Path(name).read_bytes())
        written_s = float(found["written_utc_s"])
    except (OSError, msgspec.DecodeError, KeyError, TypeError, ValueError):
        return None
    return found if abs(utc_s - written_s) <= _FRESH_FOR_S else None


def from_journal(
    tree: SettingsTree,
    journal: Journal,
    utc_s: float,
    plans: Mapping[str, WatchPlan] | None = None,
) -> tuple[list[dict[str, Any]], dict[str, Any], float]:
    """The rows of all filters, that of the site, and how old both are, from what was saved last."""
    station = Station(watch_plans(tree) if plans is None else plans)
    saved = journal.saved_at() or Moment(0.0, utc_s)
    station.restore(journal.states(), saved)
    rows = [
        dict(station.state_payload(name, saved, tree.site.source is SourceKind.RIG))
        for name in station.plans
    ]
    return rows, dict(station.site_payload()), max(0.0, utc_s - saved.utc_s)


def sentence(row: dict[str, Any], stopped_watching_s: float | None) -> str:
    """Return one honest sentence about a filter.

    Args:
        row: the fields of its state.
        stopped_watching_s: how long nobody has watched, `None` while somebody does.
    """
    if stopped_watching_s is not None:
        return f"Not watched for {duration_words(stopped_watching_s)}."
    alarms = row["alarms"]
    if "flow-unknown" in alarms:
        return f"No trustworthy flow reading ({row['flow_quality']}): the filter may run or not."
    if "flow-stopped" in alarms:
        return "Flow has stopped."
    if row["flow_l_per_h"] is None:
        waiting = row["flow_quality"] == Quality.MISSING
        return "Waiting for the first reading." if waiting else f"Flow {row['flow_quality']}."
    share = row["share_of_clean"]
    if share is None:
        return "Running; clean flow is not known yet."
    if "flow-high" in alarms:
        return f"Running at {share:.0%} of clean: a hose may be off, look at once."
    if row["pause"] is not None:
        return f"Paused for {row['pause']}: flow alarms wait until it is over."
    running = f"Running at {share:.0%} of clean"
    if row["clean_flow_basis"] == CleanBasis.PREDICTED:
        running += " as the sizing model predicts it"
    if "flow-low" in alarms:
        return f"{running}: flow is low, look today."
    if "cleaning-due" in alarms:
        return f"{running}: cleaning is due."
    return f"{running}{due_words(row['cleaning_due'])}."


def due_words(ahead: dict[str, Any] | None) -> str:
    """Return when cleaning is due, as one number with its range for people."""
    if ahead is None:
        return ""
    if ahead["median_days"] is None:
        return ", no trend yet"
    low, middle, high = (round(ahead[k]) for k in ("low_days", "median_days", "high_days"))
    about = "within a day" if middle < 1 else f"in about {middle} day{'s' if middle > 1 else ''}"
    words = f", cleaning due {about}, {low} to {high}"
    return words if ahead["trend"] else f"{words}, as past cycles went (no trend yet)"
