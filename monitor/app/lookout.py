"""What the web page knows of a site: the live file, the journal, the sizing model, the sheets."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from monitor.alarms.pause import Pause
from monitor.alarms.priority import PRIORITIES
from monitor.alarms.site import SITE
from monitor.alarms.watch import WatchPlan
from monitor.app.lookback import history
from monitor.app.picture import look_in
from monitor.app.reminders import near
from monitor.errors import StorageError
from monitor.journal.onlooker import Onlooker
from monitor.page.port import AlarmView, DueView, FilterView, History, SiteView, Sizing
from monitor.records import AlarmKind, AlarmState, Event, EventKind, Order, Priority
from monitor.settings.model import SettingsTree
from monitor.units import SECONDS_PER_DAY, duration_words

_UNDO_WITHIN_S = SECONDS_PER_DAY
_SIZING_WITHIN_S = 120.0
_SHEETS = "commissioning-*.html"
_ALARM_PREFIX = "alarm/"
_DAY_LOOKS_EVERY_S = 60.0


class _Pausing(msgspec.Struct):
    """The one part of a filter's saved state that its live picture does not hold."""

    pause: Pause | None = None


class _Kept(msgspec.Struct):
    """What the journal says beside the live picture; read anew only when somebody wrote to it."""

    alarms: dict[tuple[str, str], Event]
    pause_until: dict[str, float]
    deeds: dict[str, Event]


class Lookout:
    """Knows the site from outside the daemon. Calls may come from several threads.

    Args:
        tree, file: the configuration.
        plans: of each filter, with what the sizing model predicts.
        wall: seconds of the wall clock.
    """

    def __init__(
        self,
        tree: SettingsTree,
        file: Path,
        plans: Mapping[str, WatchPlan],
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._tree, self._file, self._plans, self._wall = tree, file, plans, wall
        self._folder = Path(tree.storage.folder)
        self._lock = threading.Lock()
        self._journal: Onlooker | None = None
        self._kept: _Kept | None = None
        self._fine_at_s: dict[str, float] = {}
        self._live: dict[str, list[tuple[float, float | None, float | None, float | None]]] = {}
        self._last: SiteView | None = None
        self._sizing: dict[str, Sizing | None] = {}
        self._reminders: tuple[float, tuple[str, ...]] = (float("-inf"), ())

    def pulse(self) -> float:
        """Return when the live file was written last, 0 without one."""
        try:
            return Path(self._tree.storage.live_file).stat().st_mtime
        except OSError:
            return 0.0

    def view(self) -> SiteView:
        """Return how the site stands; a site that cannot be read says why."""
        now_s = self._wall()
        name, us = self._tree.site.name or self._tree.site.id, self._tree.site.units == "us"
        with self._lock:
            try:
                journal = self._open()
                kept = self._look_into(journal)
                found = look_in(journal, self._tree, 0, now_s, plans=self._plans)
            except StorageError as error:
                self._kept = None
                return SiteView(name, now_s, us, problem=str(error))
            last = self._last
            if not found.live and last is not None:
                saved = journal.saved_at()
                if saved is None or saved.utc_s < last.utc_s - last.age_s:
                    return aged(last, now_s, found.running)
            rows = {row["filter"]: row for row in found.filters}
            filters = tuple(
                self._filter(name, rows[name], kept, found.live, found.age_s, now_s)
                for name in self._tree.filters
                if name in rows
            )
            of_site = _alarms(SITE, found.site, kept)
            view = SiteView(
                name, now_s, us, found.live, found.running, found.age_s, filters, of_site,
                tuple(found.troubles), self._said(now_s),
            )  # fmt: skip
            self._last = view if found.live else last
            return view

    def history(self, filter_id: str, days: float) -> History:
        """Return a filter's past up to now.

        Raises:
            StorageError: the journal cannot be read.
        """
        # Not under the lock: two years take a while, and the live picture must not wait for them.
        plan = self._plans[filter_id].condition.cycle
        recent = list(self._live.get(filter_id, []))
        return history(self._shared(), filter_id, plan, days, self._wall(), recent)

    def sizing(self, filter_id: str) -> Sizing | None:
        """Return what the sizing model says; it runs in a process of its own, once."""
        if filter_id not in self._sizing:
            self._sizing[filter_id] = _sized(self._file, filter_id)
        return self._sizing[filter_id]

    def sheets(self) -> list[str]:
        """Return the names of the commissioning sheets, newest first."""
        return sorted((f.name for f in self._folder.glob(_SHEETS)), reverse=True)

    def sheet(self, name: str) -> bytes | None:
        """Return a sheet; only what `sheets` names is read."""
        if name not in self.sheets():
            return None
        try:
            return (self._folder / name).read_bytes()
        except OSError:
            return None

    def give(self, order: Order) -> int:
        """Put down an order for the daemon.

        Raises:
            StorageError: it could not be written.
        """
        return self._shared().order(order, self._wall())

    def answer(self, number: int) -> str | None:
        """Return the daemon's answer, `None` so far."""
        return self._shared().answer(number)

    def close(self) -> None:
        """Let go of the journal."""
        with self._lock:
            if self._journal is not None:
                self._journal.close()
                self._journal = None

    def _shared(self) -> Onlooker:
        with self._lock:
            return self._open()

    def _open(self) -> Onlooker:
        if self._journal is None:
            self._journal = Onlooker(self._folder)
        return self._journal

    def _look_into(self, journal: Onlooker) -> _Kept:
        if not journal.changed() and self._kept is not None:
            return self._kept
        alarms: dict[tuple[str, str], Event] = {}
        pauses: dict[str, float] = {}
        moments = journal.state_moments()
        for name, body in journal.states().items():
            if name.startswith(_ALARM_PREFIX):
                filter_id, _, kind = name.removeprefix(_ALARM_PREFIX).partition("/")
                event = _decoded(body, Event)
                if event is not None:
                    alarms[filter_id, kind] = event
            elif name.startswith("filter/") and name in moments:
                found = _decoded(body, _Pausing)
                if found is not None and found.pause is not None:
                    saved = moments[name]
                    until_s = saved.utc_s + found.pause.until_s - saved.line_s
                    pauses[name.removeprefix("filter/")] = until_s
        deeds = {n: e.event for n in self._tree.filters if (e := journal.last_deed(n)) is not None}
        self._kept = _Kept(alarms, pauses, deeds)
        return self._kept

    def _filter(
        self, name: str, row: Mapping[str, Any], kept: _Kept, live: bool, age_s: float, now_s: float
    ) -> FilterView:
        settings = self._tree.filters[name]
        flow, due, deed = row["flow_l_per_h"], row["cleaning_due"], kept.deeds.get(name)
        cleaned = deed is not None and deed.event is EventKind.CLEANED
        limits = settings.limits
        paused = row["pause"]
        return FilterView(
            id=name,
            name=settings.name or name,
            sentence=row["sentence"],
            simulated=row["simulated"],
            flow=flow,
            clean=row["clean_flow_l_per_h"],
            clean_words=row["clean_flow_words"],
            share=row["share_of_clean"],
            limits=(
                limits.cleaning_due_share, limits.flow_low_share, limits.flow_stopped_share,
            ),
            temperature=row["temperature_c"],
            has_probe=settings.probe is not None,
            band=(settings.tank.min_c, settings.tank.max_c),
            blind_s=self._blind_s(name, row, live, age_s, now_s),
            due=None if due is None else msgspec.convert(due, DueView),
            fouling=row["fouling"],
            pause=paused,
            pause_until_utc_s=None if paused is None else kept.pause_until.get(name),
            cleaned_utc_s=deed.utc_s if deed is not None and cleaned else None,
            undo=deed is not None and cleaned and now_s - deed.utc_s < _UNDO_WITHIN_S,
            alarms=_alarms(name, row, kept),
        )  # fmt: skip

    def _blind_s(
        self, name: str, row: Mapping[str, Any], live: bool, age_s: float, now_s: float
    ) -> float | None:
        """How long there has been no reading; the newest are remembered for the charts' last minutes."""
        flow = row["flow_l_per_h"]
        if flow is not None:
            self._fine_at_s[name] = now_s - age_s
        if live:
            points = self._live.setdefault(name, [])
            if not points or now_s - points[-1][0] >= _LIVE_EVERY_S:
                points.append((now_s, flow, row["clean_flow_l_per_h"], row["temperature_c"]))
                del points[:-_LIVE_KEPT]
        last_s = self._fine_at_s.get(name)
        if last_s is None and self._journal is not None:
            last_s = self._journal.last_flow_utc_s(name)
            self._fine_at_s[name] = last_s if last_s is not None else float("-inf")
        if last_s is None or last_s == float("-inf"):
            return None
        return max(0.0, now_s - last_s) if flow is None or not live else 0.0

    def _said(self, now_s: float) -> tuple[str, ...]:
        at_s, said = self._reminders
        if now_s - at_s >= _DAY_LOOKS_EVERY_S:
            today = datetime.fromtimestamp(now_s).astimezone().date()
            said = tuple(r.words(today) for r in near(self._tree, today))
            self._reminders = (now_s, said)
        return said


def aged(last: SiteView, now_s: float, running: bool) -> SiteView:
    """Return the last live picture as what it is by now; the journal may know less than was seen."""
    age_s = max(0.0, now_s - last.utc_s + last.age_s)
    filters = tuple(
        msgspec.structs.replace(
            one,
            blind_s=None if one.blind_s is None else one.blind_s + age_s,
            sentence=one.sentence if running else f"Not watched for {duration_words(age_s)}.",
        )
        for one in last.filters
    )
    return msgspec.structs.replace(
        last, utc_s=now_s, live=False, watched=running, age_s=age_s, filters=filters
    )


# The daemon writes samples every ten minutes; the page fills the gap from what it saw itself.
_LIVE_EVERY_S = 2.0
_LIVE_KEPT = 600


def _decoded(body: bytes, kind: type[Any]) -> Any:
    """What a program of another version wrote may not be readable; then it is not shown."""
    try:
        return msgspec.json.decode(body, type=kind)
    except msgspec.DecodeError:
        return None


def _alarms(filter_id: str, row: Mapping[str, Any], kept: _Kept) -> tuple[AlarmView, ...]:
    """The alarms that are not normal, the gravest and newest first."""
    stands = {**dict.fromkeys(row["alarms"], str(AlarmState.UNACKNOWLEDGED)), **row["alarm_states"]}
    found = []
    for name, state in stands.items():
        kind, event = AlarmKind(name), kept.alarms.get((filter_id, name))
        view = AlarmView(filter_id, kind, state, name in row["alarms"], PRIORITIES[kind])
        if event is not None:
            view = msgspec.structs.replace(
                view, occurrence=event.occurrence, cause=event.cause, sure=event.sure,
                evidence=event.evidence, advice=event.advice, consequence=event.consequence,
                since_utc_s=event.since_utc_s, until_utc_s=event.until_utc_s, by=event.by,
            )  # fmt: skip
        found.append(view)
    gravest = list(Priority)
    found.sort(key=lambda a: (gravest.index(a.priority), not a.active, -(a.since_utc_s or 0.0)))
    return tuple(found)


def _sized(file: Path, filter_id: str) -> Sizing | None:
    command = [
        sys.executable, "-m", "monitor", "size", str(file), "--filter", filter_id, "--json",
        "--samples", "500",
    ]  # fmt: skip
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_SIZING_WITHIN_S,
            check=False,
        )  # fmt: skip
        found = msgspec.json.decode(done.stdout)
        low, high = found["plausible_l_per_h"]
        return Sizing(
            found["clean_flow_l_per_h"],
            (low, high),
            found["head_m"],
            tuple((part["part"], part["share"]) for part in found["losses"]),
            tuple(found["remarks"]),
        )
    except (OSError, subprocess.TimeoutExpired, msgspec.DecodeError, KeyError, TypeError):
        return None
