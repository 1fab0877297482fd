"""The rig through the whole program at speed: sources, judging, journal, delivery.

A keeper is played as well: told that cleaning is due, they pause the alarms the next evening, clean,
and say so through the journal, as the commands do. All of it is reproducible from the seed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import msgspec

from monitor import __version__
from monitor.app.outlet import Outlet
from monitor.app.plans import watch_plans
from monitor.app.recorder import Recorder
from monitor.app.sources import rig_plan
from monitor.app.station import Station
from monitor.delivery import payloads
from monitor.delivery.mqtt import BrokerAddress
from monitor.delivery.mqtt_sink import MqttSink
from monitor.delivery.topics import Topics
from monitor.journal.store import Journal
from monitor.records import AlarmKind, Event, EventKind, Moment, Order
from monitor.sensing.faults import Fault, FaultName
from monitor.sensing.rig import Rig
from monitor.settings.load import load
from monitor.settings.model import SettingsTree

# 2 March 2026, 08:00 UTC: an invented day, fixed so that a seed gives the same times again.
START_UTC_S = 1772438400.0
DEFAULT_FAULTS = (Fault(FaultName.STALL, 34.25 * 86400, 34.25 * 86400 + 5400),)
_SHOW_EVERY_S = 0.5
_CLEANING_TAKES_S = 720.0
_CLEANING_HOUR = 18
# The card need not be spared in a rehearsal, the time must be: fewer samples, larger batches.
_SAMPLE_EVERY_S, _COMMIT_EVERY_S = 600.0, 6 * 3600.0


class Script(msgspec.Struct, frozen=True):
    """What is rehearsed: `days` of simulated time, faults, seed, stride in quiet stretches.

    `speed` is simulated seconds a second at the most; `None` for as fast as it goes.
    """

    days: float = 40.0
    seed: int = 1
    faults: tuple[Fault, ...] = DEFAULT_FAULTS
    coarse_s: float = 60.0
    speed: float | None = None


def scenario(option: Path | None) -> SettingsTree:
    """Return the settings to rehearse with: a file's, or the invented ones that come with us.

    Raises:
        SettingsError: the file cannot be used.
    """
    if option is not None:
        return load(option).tree
    with resources.as_file(resources.files("monitor.app") / "rehearsal.toml") as file:
        return load(file).tree


class Rehearsal:
    """One rehearsal in one folder.

    Args:
        tree: site and filters; their storage and broker settings are not used.
        script: what is rehearsed.
        folder: where the journal goes.
        broker: where to publish, `None` for nowhere.
        tell: called with the fields of each event once it is in the journal.
        every: called often with the share of the rehearsal that is over, 0 to 1.
    """

    def __init__(
        self,
        tree: SettingsTree,
        script: Script,
        folder: Path,
        broker: BrokerAddress | None,
        tell: Callable[[dict[str, Any]], None],
        every: Callable[[float], None] = lambda share: None,
    ) -> None:
        self.script = script
        self._tell = tell
        self._every = every
        self.site = tree.site.id
        self.journal = Journal(folder)
        self._keeper = Journal(folder)  # the keeper's own hand on the journal, as a command has
        self._station = Station(watch_plans(tree))
        storage = tree.storage.model_copy(
            update={"sample_every_s": _SAMPLE_EVERY_S, "commit_every_s": _COMMIT_EVERY_S}
        )
        self._recorder = Recorder(self.journal, self._station, storage)
        root = tree.mqtt.topic_root if tree.mqtt is not None else "canister"
        self.topics = Topics(root, tree.site.id)
        sink = None
        if broker is not None:
            run = self.journal.run
            who = payloads.Run(self.journal.id, run, 0.0)
            sink = MqttSink(lambda: broker, self.topics, who, __version__, True)
        self.outlet = Outlet(self.journal, sink, None)
        self._rigs = {
            name: Rig(
                rig_plan(
                    name,
                    tree,
                    script.seed + index,
                    START_UTC_S,
                    script.days,
                    script.faults if index == 0 else (),
                    script.coarse_s,
                )
            )
            for index, name in enumerate(tree.filters)
        }
        self._told_up_to = self.journal.cursor("terminal")
        self._deeds: list[tuple[float, Order]] = []
        self.coarse_steps = self.fine_steps = self.told = 0

    def run(self) -> None:
        """Play the whole script; events go out while it runs."""
        self.outlet.start()
        now = Moment(0.0, START_UTC_S)
        shown_s = began_s = time.monotonic()
        for now in self._moments():
            readings = [r for rig in self._rigs.values() for r in rig.read(now)]
            self._act_when_due(now)
            events = self._station.tick(readings, now) + self._recorder.orders(now)
            self._recorder.take(now, events)
            if events:
                self._note(events, now)
            at_s = time.monotonic()
            if events or at_s - shown_s >= _SHOW_EVERY_S:
                shown_s = at_s
                self.outlet.show(self._station, self.topics, now, True)
                self._every(now.line_s / (self.script.days * 86400))
            self._hold_back(began_s, now)
        self._recorder.flush(now)
        self.outlet.show(self._station, self.topics, now, True)
        self._every(1.0)

    def _moments(self) -> Iterator[Moment]:
        time_s, end_s = 0.0, self.script.days * 86400
        while time_s < end_s:
            yield Moment(time_s, START_UTC_S + time_s)
            stride = min(rig.stride_s(time_s) for rig in self._rigs.values())
            if stride <= 1.0:
                self.fine_steps += 1
            else:
                self.coarse_steps += 1
            time_s += stride

    def _hold_back(self, began_s: float, now: Moment) -> None:
        if self.script.speed is not None:
            ahead = now.line_s / self.script.speed - (time.monotonic() - began_s)
            if ahead > 0:
                time.sleep(ahead)

    def _note(self, events: list[Event], now: Moment) -> None:
        for entry in self.journal.entries_after(self._told_up_to, 1000):
            self._told_up_to = entry.seq
            whole = payloads.identified(
                payloads.event(entry.event), self.site, self.journal.id, entry.run, entry.seq, True,
                entry.synchronised,
            )  # fmt: skip
            self.told += 1
            self._tell(msgspec.json.decode(whole))
        for event in events:
            due = event.alarm is AlarmKind.CLEANING_DUE and event.event is EventKind.RAISED
            planned = {order.filter_id for _, order in self._deeds}
            if due and event.filter_id not in planned:
                start_s = self._next_evening(now)
                self._rigs[event.filter_id].clean_at(start_s, _CLEANING_TAKES_S)
                self._deeds.append((start_s - 60.0, Order("maintenance", event.filter_id, 30.0)))
                self._deeds.append((start_s + _CLEANING_TAKES_S, Order("cleaned", event.filter_id)))
                self._deeds.append((start_s + _CLEANING_TAKES_S, Order("resume", event.filter_id)))

    @staticmethod
    def _next_evening(now: Moment) -> float:
        hour_s = now.utc_s % 86400
        return now.line_s - hour_s + 86400 + _CLEANING_HOUR * 3600

    def _act_when_due(self, now: Moment) -> None:
        for when_s, order in list(self._deeds):
            if now.line_s >= when_s:
                self._deeds.remove((when_s, order))
                self._keeper.order(order, now.utc_s)

    def drain(self, within_s: float) -> int:
        """Wait until everything is delivered; return how many events are not."""
        until = time.monotonic() + within_s
        for one in self.outlet.dispatchers:
            while not one.drained() and time.monotonic() < until:
                one.wake()
                time.sleep(0.05)
        return self.journal.undelivered("mqtt") if self.outlet.dispatchers else 0

    def close(self) -> None:
        """Disconnect and close the journal."""
        self.outlet.stop(0.0)
        self._keeper.close()
        self.journal.close()
