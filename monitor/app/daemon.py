"""The daemon: one safety loop on monotonic time, delivery beside it, chores that may be late.

Start-up policy: configuration, journal and sensors are fatal; the broker is not, it is retried in
the background. Order of shutdown: the loop ends, the last state is saved, delivery drains, the
broker is told that we stop on purpose, sensors and journal are closed.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import Any

import msgspec
from tzlocal import get_localzone

from monitor import __version__
from monitor.alarms.site import SITE_KINDS
from monitor.app.chores import Chores
from monitor.app.daily import daily
from monitor.app.monthly import ByChild, Monthly
from monitor.app.outlet import ALLOWED_SILENCE_S, build_outlet, loop_name, samples_out, ways_out
from monitor.app.people import LOOK_EVERY_S, People
from monitor.app.plans import Predicted, watch_plans
from monitor.app.prediction import predicted_by_child
from monitor.app.recorder import Recorder
from monitor.app.reminders import near
from monitor.app.right_times import RightTimes
from monitor.app.selfcheck import SelfCheck
from monitor.app.sources import live_sources
from monitor.app.station import Station
from monitor.app.tidy import tidy
from monitor.delivery import payloads
from monitor.delivery.ping import ping
from monitor.delivery.topics import Topics
from monitor.errors import MachineError, StorageError
from monitor.journal.file import make
from monitor.journal.store import Journal
from monitor.records import Event, Health, Moment, Quality
from monitor.runtime.clock import Clock, resumed_line_s
from monitor.runtime.lock import DaemonLock
from monitor.runtime.troubles import Troubles
from monitor.runtime.watchdog import Watchdog
from monitor.sensing.leak import Floor, LeakContact
from monitor.sensing.port import Source
from monitor.settings.model import SettingsTree, SourceKind

_log = logging.getLogger(__name__)
_TICK_S = 1.0
_LATE_BY_S = 5.0
_DRAIN_S = 5.0
_LOOP, _LOOP_SILENCE_S = "safety loop", 5.0
# A thread of lgpio's that has died comes back only with a new process.
_REPORT_EVERY_S = 1800.0
_PULSES, _PULSES_SILENCE_S = "flow sensors", 15.0


class Daemon:
    """Everything that `canister run` needs, built from checked settings.

    Args:
        tree: the configuration.
        predicted: what the sizing model says by filter; `None` asks it in this process.
        sources: where readings come from; `None` takes those of the configuration.
        wall: seconds of the wall clock, which may step.
        file: the configuration's, for whom this process starts to read it again.

    Raises:
        StorageError: the journal cannot be used, or another daemon uses it.
        SensorError: a sensor cannot be used.
        SettingsError: the broker's password cannot be read.
    """

    def __init__(
        self,
        tree: SettingsTree,
        predicted: Mapping[str, Predicted | None] | None = None,
        sources: Sequence[Source] | None = None,
        wall: Callable[[], float] = time.time,
        file: Path | None = None,
    ) -> None:
        self._tree = tree
        folder = Path(tree.storage.folder)
        make(folder)
        self._lock = DaemonLock(folder)
        self._lock.take()  # first: whoever holds it may set a damaged journal aside
        self._journal = Journal(folder)
        self._sources = list(sources) if sources is not None else live_sources(tree)
        self._station = Station(watch_plans(tree, predicted))
        saved_at = self._journal.saved_at()
        self._clock = Clock(resumed_line_s(saved_at, wall()), wall=wall)
        self._began = self._clock.now()
        for trouble in self._station.restore(self._journal.states(), self._began):
            _log.warning("%s", trouble)
        self._topics = Topics(tree.mqtt.topic_root if tree.mqtt else "canister", tree.site.id)
        loops = {_LOOP: _LOOP_SILENCE_S}
        loops.update(
            {loop_name(sink): ALLOWED_SILENCE_S for sink in (*ways_out(tree), *samples_out(tree))}
        )
        if tree.site.source is SourceKind.PINS:
            loops[_PULSES] = _PULSES_SILENCE_S
        self._watchdog = Watchdog(loops)
        self._outlet = build_outlet(tree, self._journal, self._watchdog, self._began)
        self._recorder = Recorder(self._journal, self._station, tree.storage)
        self._halt = threading.Event()
        self._shown_at_s = float("-inf")
        self._trusted: dict[str, bool] = {}
        self._beat_at_s = float("-inf")
        self._daily_due = threading.Event()
        self._pinged: Health | None = None
        self._simulated = tree.site.source is SourceKind.RIG
        self._selfcheck = SelfCheck(tree)
        self._troubles = Troubles()
        self._live = LiveFile(tree.storage.live_file)
        self._monthly: Monthly | None = None
        if tree.report.folder and file is not None:
            self._monthly = Monthly(
                tree.report, self._journal, get_localzone(), ByChild(file, tree.report.pdf)
            )
        self._chores = self._planned(wall)

    def run(self) -> None:
        """Run until told to stop by SIGTERM or SIGINT, or by `stop`."""
        self._take_signals()
        try:
            for source in self._sources:
                source.start()
            self._outlet.start()
            self._chores.start()
            self._watchdog.say("READY=1")
            _log.info("watching %s at site %s", ", ".join(self._station.plans), self._tree.site.id)
            self._loop()
        finally:
            self._watchdog.say("STOPPING=1")
            self._shut()

    def stop(self) -> None:
        """Ask the loop to end; safe from a signal handler and from other threads."""
        self._halt.set()

    def _take_signals(self) -> None:
        if threading.current_thread() is not threading.main_thread():
            return

        def asked(_number: int, _frame: FrameType | None) -> None:
            self.stop()

        signal.signal(signal.SIGTERM, asked)
        signal.signal(signal.SIGINT, asked)

    def _loop(self) -> None:
        due_s = time.monotonic()
        while not self._halt.is_set():
            self._tick(self._clock.now())
            due_s += _TICK_S
            left_s = due_s - time.monotonic()
            if left_s < -_LATE_BY_S:
                _log.warning("the safety loop was held up for %.0f s", -left_s)
                due_s = time.monotonic()
            self._halt.wait(max(0.0, left_s))

    def _tick(self, now: Moment) -> None:
        readings = [reading for source in self._sources for reading in source.read(now)]
        # People first: an acknowledgement is of what they have seen, not of what comes now.
        events = self._recorder.orders(now)
        health = [source.health(now) for source in self._sources]
        facts = self._selfcheck.facts(
            now, health, self._recorder.health(), self._outlet.refusals(), self._floor()
        )
        events += self._station.tick(readings, now, facts)
        if self._daily_due.is_set():
            self._daily_due.clear()
            today = datetime.fromtimestamp(now.utc_s, get_localzone()).date()
            said = [r.words(today) for r in near(self._tree, today)]
            events.append(daily(self._station, now, self._simulated, said))
        for event in events:
            level = logging.WARNING if event.alarm is not None else logging.INFO
            _log.log(level, "%s", event_line(event))
        self._recorder.take(now, events)
        if not self._recorder.health().working:
            self._outlet.tell_early([e for e in events if e.announce], now)
        self._note_qualities()
        if events or now.line_s - self._shown_at_s >= self._show_every_s():
            self._shown_at_s = now.line_s
            self._outlet.show(
                self._station, self._topics, now, self._simulated, 6 * self._show_every_s()
            )
        self._beat(now)
        self._troubles.note(health, now.line_s)
        self._live.write(self._live_picture(now, health))
        for part in health:
            if part.part == _PULSES and part.working:
                self._watchdog.progress(_PULSES)
        self._chores.attend()
        self._watchdog.progress(_LOOP)
        self._watchdog.feed()

    def _floor(self) -> Floor:
        """Return what the leak contact says, where there is one."""
        contacts = (s.floor() for s in self._sources if isinstance(s, LeakContact))
        return next(contacts, Floor.UNKNOWN)

    def _beat(self, now: Moment) -> None:
        mqtt = self._tree.mqtt
        if mqtt is None or now.line_s - self._beat_at_s < mqtt.heartbeat_s:
            return
        self._beat_at_s = now.line_s
        station = self._station
        alarms = {k.value: station.site.alarm(k).active for k in SITE_KINDS}
        beat = payloads.heartbeat(now, self._journal.run, __version__, alarms, station.running())
        self._outlet.beat(self._topics, beat, mqtt.heartbeat_s)

    def _note_qualities(self) -> None:
        """One line when a filter's flow stops being trustworthy, one when it is again."""
        for name, seen in self._station.seen.items():
            good = seen.flow_quality in (Quality.GOOD, Quality.COLLECTING)
            if self._trusted.get(name, True) is not good:
                self._trusted[name] = good
                said = "can be trusted again" if good else f"cannot be trusted: {seen.flow_quality}"
                _log.log(logging.INFO if good else logging.WARNING, "%s: its flow %s", name, said)

    def _show_every_s(self) -> float:
        return self._tree.mqtt.state_every_s if self._tree.mqtt is not None else float("inf")

    def _live_picture(self, now: Moment, readers: Sequence[Health]) -> dict[str, Any]:
        health = [*readers, *self._outlet.health()]
        health += [self._recorder.health(), self._chores.health()]
        if self._pinged is not None:
            health.append(self._pinged)
        if self._monthly is not None:
            health.append(self._monthly.health)
        return {
            "site": self._tree.site.id,
            "process": os.getpid(),
            "written_utc_s": now.utc_s,
            "filters": {
                n: self._station.state_payload(n, now, self._simulated) for n in self._station.plans
            },
            "site_alarms": self._station.site_payload(),
            "health": health,
        }

    def _planned(self, wall: Callable[[], float]) -> Chores:
        chores, signs = Chores(wall), self._tree.signs
        chores.add("pruning the journal", 3600.0, self._prune, at_once=False)
        chores.add("looking through the journal", 3600.0, self._journal.check, at_once=False)
        look = lambda: self._selfcheck.look_slowly(wall())  # noqa: E731
        chores.add("looking after the house", 60.0, look, at_once=True)
        late_s = self._tree.storage.commit_every_s
        right = RightTimes(
            self._journal, self._clock.now, [*self._tree.filters], self._began, late_s
        )
        chores.add("setting the times right", 60.0, right.look, at_once=False)
        if self._tree.notify.addresses_file:
            people = People(self._tree, self._journal, self._outlet)
            chores.add("reading the addresses", LOOK_EVERY_S, people.look, at_once=False)
        if signs.daily_at:
            # Said by the safety loop, which alone may ask the station.
            chores.add_daily("the daily word", signs.daily_at, self._daily_due.set)
        if self._monthly is not None:
            chores.add("the monthly report", _REPORT_EVERY_S, self._report, at_once=True)
        if signs.ping_url is not None:
            chores.add("the outside sign of life", 60.0 * signs.ping_every_min, self._ping, True)
        return chores

    def _report(self) -> None:
        """Make one report that is owed; a child process does the work."""
        if self._monthly is None:
            return
        worked = self._monthly.health.working
        if month := self._monthly.look(self._clock.now()):
            _log.info("the report of %s is in %s", month, self._tree.report.folder)
        elif worked and not self._monthly.health.working:
            _log.warning("%s; %s", self._monthly.health.line, self._monthly.health.remedy)

    def _ping(self) -> None:
        """Ask the outside address, unless something here stands still: silence is what tells."""
        url = self._tree.signs.ping_url
        if url is None or self._watchdog.stalled():
            return
        part = "outside sign of life"
        try:
            ping(url.get_secret_value())
        except MachineError as error:
            line, _, remedy = str(error).partition("; ")
            if self._pinged is None or self._pinged.working:
                _log.warning("%s", error)
            self._pinged = Health(part, False, line, remedy)
            return
        self._pinged = Health(part, True, "asked")

    def _prune(self) -> None:
        """Thin out and drop what is old; in small steps, so that the safety loop never waits for it."""
        try:
            thinned, dropped = tidy(
                self._journal,
                self._tree.storage,
                self._clock.now().line_s,
                ways_out(self._tree),
                samples_out(self._tree),
            )
        except StorageError as error:
            _log.warning("%s", error)
            return
        if thinned or dropped:
            _log.info("%d samples became minutes, %d old rows dropped", thinned, dropped)

    def _shut(self) -> None:
        self._chores.stop()
        if self._monthly is not None:
            self._monthly.stop()
        self._recorder.close(self._clock.now())
        self._outlet.stop(_DRAIN_S)
        for source in self._sources:
            source.close()
        self._live.remove()
        self._journal.close()
        self._lock.release()
        _log.info("stopped")


class LiveFile:
    """The newest picture for `canister status`, on a memory file system so that no card wears out.

    Empty name: none is written. A folder that cannot be used is told once.
    """

    def __init__(self, name: str) -> None:
        self._file = Path(name) if name else None

    def write(self, picture: dict[str, Any]) -> None:
        """Replace the file in one move."""
        if self._file is None:
            return
        fresh = self._file.with_suffix(".new")
        try:
            fresh.write_bytes(msgspec.json.encode(picture))
            fresh.replace(self._file)
        except OSError as error:
            _log.info(
                "%s: no live file (%s); canister status reads the journal instead",
                self._file,
                error.strerror,
            )
            self._file = None

    def remove(self) -> None:
        """Take the file away, so that nobody takes it for live."""
        if self._file is not None:
            self._file.unlink(missing_ok=True)


def event_line(event: Event) -> str:
    """Return an event as one line of the log."""
    what = f"{event.alarm} {event.event}" if event.alarm is not None else str(event.event)
    flow = payloads.litres_per_hour(event.flow_m3_per_s)
    clean = payloads.litres_per_hour(event.clean_m3_per_s)
    seen = f"flow {flow} of {clean} L/h clean" if event.filter_id else ""
    parts = [f"{event.filter_id or 'site'}: {what}", seen, event.evidence]
    return "; ".join(part for part in parts if part)


def run_daemon(tree: SettingsTree, file: Path) -> None:
    """Build and run the daemon; the caller turns errors into lines and exit codes.

    Raises:
        CanisterError: it cannot start.
    """
    Daemon(tree, predicted_by_child(file), file=file).run()
