"""The ways out of a site: its sinks, a thread for each, and what stands on retained topics."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Sequence
from datetime import time
from time import monotonic
from typing import TYPE_CHECKING, Any

import msgspec

from monitor import __version__
from monitor.alarms.site import SITE, SITE_KINDS
from monitor.alarms.watch import KINDS
from monitor.app.homes import Homes
from monitor.app.plans import broker_address
from monitor.app.station import Station
from monitor.delivery import payloads
from monitor.delivery.dispatcher import Dispatcher, Sink
from monitor.delivery.influx import InfluxSink, Server
from monitor.delivery.line_protocol import Dialect, event_line, sample_line
from monitor.delivery.mqtt_sink import MqttSink
from monitor.delivery.topics import Topics
from monitor.errors import StorageError
from monitor.journal.history import SampleLedger
from monitor.journal.store import Journal
from monitor.records import Entry, Event, Health, Moment, SampleRow
from monitor.runtime.backoff import Backoff
from monitor.runtime.watchdog import Watchdog
from monitor.settings.load import address_lines, token
from monitor.settings.model import SettingsTree, SourceKind
from monitor.settings.outward import InfluxSettings, NotifySettings

if TYPE_CHECKING:
    from monitor.delivery.notify import Address

# Longer than any single wait within a sink.
ALLOWED_SILENCE_S = 120.0
INFLUX_EVENTS, INFLUX_SAMPLES = "influx", "influx_samples"
# Some 1 MB of text before it is compressed; a month of one filter is 520 such batches.
_SAMPLES_AT_ONCE = 5000


class Outlet:
    """Delivery as the loops see it: nothing at all where no way out is configured.

    Args:
        journal: what is delivered.
        mqtt: the sink that shows retained topics, `None` for none.
        others: further sinks of events.
        samples: a sink of samples, `None` for none.
        homes: shows home automation how the filters stand.
        watchdog: hears of every thread's progress, under `loop_name`.
    """

    def __init__(
        self,
        journal: Journal,
        mqtt: MqttSink | None,
        watchdog: Watchdog | None = None,
        others: tuple[Sink[Entry], ...] = (),
        homes: Homes | None = None,
        samples: Sink[SampleRow] | None = None,
    ) -> None:
        self.mqtt = mqtt
        self.homes = homes
        self._journal = journal
        self._last_sequence = 0
        self._watchdog = watchdog
        sinks: list[Sink[Entry]] = ([mqtt] if mqtt is not None else []) + list(others)
        self.dispatchers: list[Dispatcher[Any]] = [
            Dispatcher(journal, sink, Backoff(), _progress(watchdog, loop_name(sink.name)))
            for sink in sinks
        ]
        if samples is not None:
            progress = _progress(watchdog, loop_name(samples.name))
            self.dispatchers.append(
                Dispatcher(SampleLedger(journal), samples, Backoff(), progress, "samples")
            )
        if mqtt is not None:
            mqtt.on_lost = self.dispatchers[0].wake

    def start(self) -> None:
        """Begin to deliver."""
        for one in self.dispatchers:
            one.start()
        if self.homes is not None:
            self.homes.start()

    def replace(self, gone: Iterable[str], fresh: Sequence[Sink[Entry]]) -> None:
        """Serve fresh sinks in place of those with these names; what they have had is in the journal."""
        names = {f"deliver-{name}" for name in gone}
        old = [one for one in self.dispatchers if one.name in names]
        self.dispatchers = [one for one in self.dispatchers if one not in old]
        for one in old:
            one.halt(0.0)
            if self._watchdog is not None:
                self._watchdog.drop(loop_name(one.name.removeprefix("deliver-")))
        new = []
        for sink in fresh:
            if self._watchdog is not None:
                self._watchdog.add(loop_name(sink.name), ALLOWED_SILENCE_S)
            done = _progress(self._watchdog, loop_name(sink.name))
            new.append(Dispatcher(self._journal, sink, Backoff(), done))
            new[-1].start()
        self.dispatchers = [*self.dispatchers, *new]

    def show(
        self,
        station: Station,
        topics: Topics,
        now: Moment,
        simulated: bool,
        expiry_s: float | None = None,
    ) -> None:
        """Let the retained topics show how everything stands, and wake whoever delivers.

        Args:
            station, now: how things stand.
            topics: of the site.
            simulated: no real water is behind this.
            expiry_s: how long a filter's state is worth showing when nobody renews it.
        """
        if self.mqtt is not None:
            ids = {"site": topics.site, "journal": self._journal.id, "run": self._journal.run}
            expiry = None if expiry_s is None else max(1, round(expiry_s))
            pictures: dict[str, tuple[dict[str, object], dict[str, dict[str, object]]]] = {
                SITE: ({}, {})
            }
            for name in station.plans:
                state = {**station.state_payload(name, now, simulated), **ids}
                self.mqtt.stand(topics.state(name), msgspec.json.encode(state), expiry)
                pictures[name] = (state, {})
            for of, kinds in ((SITE, SITE_KINDS), *((name, KINDS) for name in station.plans)):
                for kind in kinds:
                    event = station.alarm_events.get((of, kind))
                    standing = (
                        payloads.alarm(event, simulated)
                        if event is not None
                        else payloads.never(of, kind, simulated)
                    )
                    # Suppression comes and goes without a word of the alarm's own.
                    standing |= ids | {"state": station.alarm_state(of, kind)}
                    self.mqtt.stand(topics.alarm(of, kind), msgspec.json.encode(standing))
                    if of in pictures:
                        pictures[of][1][kind.value] = standing
            if self.homes is not None:
                self.homes.show(pictures, now)
        for one in self.dispatchers:
            one.wake()

    def beat(self, topics: Topics, fields: dict[str, object], every_s: float) -> None:
        """Show a sign of life that expires when no other follows."""
        if self.mqtt is not None:
            with contextlib.suppress(StorageError):  # the last known number will do
                self._last_sequence = self._journal.last_sequence()
            last = self._last_sequence
            more = {
                "site": topics.site,
                "journal": self._journal.id,
                "sequence": last,
                "next_within_s": every_s,
            }
            body = msgspec.json.encode({**fields, **more})
            self.mqtt.stand(topics.heartbeat, body, max(1, round(3 * every_s)))

    def tell_early(self, events: Sequence[Event], now: Moment) -> None:
        """Tell people at once of what the journal cannot take now."""
        if events:
            early = [Entry(0, self._journal.run, now.synchronised, event) for event in events]
            for one in self.dispatchers:
                one.tell_early(early)

    def health(self) -> list[Health]:
        """Say whether the ways out work."""
        found = [one.health() for one in self.dispatchers]
        found += self.homes.health() if self.homes is not None else []
        if self.mqtt is not None and self.mqtt.deaf is not None:
            remedy = "look at the broker's access rules, or set mqtt.commands = false"
            found.append(Health("commands over mqtt", False, self.mqtt.deaf, remedy))
        return found

    def refusals(self) -> list[Health]:
        """Return the ways out that answer with no."""
        return [one.health() for one in self.dispatchers if one.refused]

    def stop(self, drain_s: float) -> None:
        """Drain, all ways together within `drain_s` seconds, and disconnect."""
        if self.homes is not None:
            self.homes.ask_to_stop()
        until = monotonic() + drain_s
        for one in self.dispatchers:
            one.halt(max(0.0, until - monotonic()))
        if self.homes is not None:
            self.homes.stop()


def loop_name(sink: str) -> str:
    """Return the name under which the watchdog knows a sink's thread."""
    return f"delivery to {sink}"


def _progress(watchdog: Watchdog | None, loop: str) -> Callable[[], None]:
    if watchdog is None:
        return lambda: None

    def progress() -> None:
        with contextlib.suppress(KeyError):  # it was taken out, and ends in its own time
            watchdog.progress(loop)

    return progress


def ways_out(tree: SettingsTree) -> list[str]:
    """Return the names of the sinks of events that a configuration has.

    Raises:
        SettingsError: the addresses for messages cannot be read.
    """
    own = ["mqtt"] if tree.mqtt is not None else []
    people = [address.name for address in addresses_of(tree.notify)]
    return own + people + ([INFLUX_EVENTS] if tree.influx.url else [])


def samples_out(tree: SettingsTree) -> list[str]:
    """Return the names of the sinks of samples that a configuration has."""
    return [INFLUX_SAMPLES] if tree.influx.url else []


def build_outlet(tree: SettingsTree, journal: Journal, watchdog: Watchdog, began: Moment) -> Outlet:
    """Return the ways out that a configuration asks for; `began` is the daemon's first moment.

    Raises:
        SettingsError: a password, a certificate or addresses cannot be read.
    """
    others = notify_sinks(tree, journal)
    samples: Sink[SampleRow] | None = None
    if tree.influx.url:
        events, samples = _influx_sinks(tree)
        others.append(events)
    mqtt, homes = _mqtt_sink(tree, journal, began), None
    if tree.mqtt is not None and mqtt is not None:
        homes = Homes(tree, tree.mqtt, journal, mqtt, began)
    return Outlet(journal, mqtt, watchdog, tuple(others), homes, samples)


def _mqtt_sink(tree: SettingsTree, journal: Journal, began: Moment) -> MqttSink | None:
    mqtt, site = tree.mqtt, tree.site.id
    if mqtt is None:
        return None
    broker_address(mqtt, site)  # what cannot be read is a mistake now, and bad luck later
    return MqttSink(
        lambda: broker_address(mqtt, site),
        Topics(mqtt.topic_root, site),
        payloads.Run(journal.id, journal.run, began.line_s),
        __version__,
        tree.site.source is SourceKind.RIG,
        desk=journal if mqtt.commands else None,
    )


def _influx_sinks(tree: SettingsTree) -> tuple[Sink[Entry], Sink[SampleRow]]:
    """Return the sink of events and that of samples: two cursors, two connections, one server."""
    settings = tree.influx
    server_of(settings)
    dialect = dialect_of(tree)
    return (
        InfluxSink(INFLUX_EVENTS, lambda: server_of(settings), lambda e: event_line(e, dialect)),
        InfluxSink(
            INFLUX_SAMPLES,
            lambda: server_of(settings),
            lambda s: sample_line(s, dialect),
            _SAMPLES_AT_ONCE,
        ),
    )


def dialect_of(tree: SettingsTree) -> Dialect:
    """Return how the history's server is spoken to."""
    return Dialect(
        tree.site.id,
        tree.influx.prefix,
        tree.influx.kind != "victoriametrics",
        tree.site.source is SourceKind.RIG,
    )


def server_of(settings: InfluxSettings) -> Server:
    """Return where history goes.

    Raises:
        SettingsError: the token cannot be read.
    """
    return Server(
        settings.url.rstrip("/"), settings.org, settings.bucket, token(settings), settings.ca_file
    )


def notify_sinks(tree: SettingsTree, journal: Journal) -> list[Sink[Entry]]:
    """One sink for each address, so that none holds up another."""
    # Its library is only loaded where somebody wants it.
    from monitor.delivery.notify import NotifySink
    from monitor.delivery.quiet import QuietHours

    settings, hours = tree.notify, None
    if settings.quiet_from:
        begin, end = (time.fromisoformat(t) for t in (settings.quiet_from, settings.quiet_to))
        hours = QuietHours(begin, end)
    found, name = addresses_of(settings), tree.site.name or tree.site.id
    alone = not any(address.second for address in found)
    simulated = tree.site.source is SourceKind.RIG
    sinks: list[Sink[Entry]] = []
    for address in found:
        # What happened before somebody asked to be told is history.
        journal.begin_cursor(address.name)
        sinks.append(NotifySink(address, name, journal, alone, hours, simulated))
    return sinks


def addresses_of(settings: NotifySettings) -> list[Address]:
    """Return where messages go, each address once.

    Raises:
        SettingsError: a file cannot be read, or holds none.
    """
    from monitor.delivery.notify import Address

    if not settings.addresses_file:
        return []
    first = address_lines("notify.addresses_file", settings.addresses_file)
    second = address_lines("notify.second_file", settings.second_file)
    found = {text: Address(text) for text in first}
    return [*found.values(), *(Address(t, True) for t in dict.fromkeys(second) if t not in found)]
