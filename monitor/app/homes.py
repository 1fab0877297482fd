"""Lets home automation find the filters: Homie, Home Assistant, and the end of what is not wanted.

A retained message stays at the broker until somebody takes it away. So the journal keeps the names of
all topics that may be retained there, written before the first is published; a later run takes away
what its configuration does not show any more: an adapter that was switched off, a filter that is gone.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Mapping
from typing import Any

import msgspec

from monitor import __version__
from monitor.alarms.site import SITE, SITE_KINDS
from monitor.alarms.watch import KINDS
from monitor.app.plans import broker_address
from monitor.delivery import home_assistant
from monitor.delivery.dispatcher import Dispatcher
from monitor.delivery.homie import Device
from monitor.delivery.homie_sink import HomieFarewell, HomieSink, NoEvents
from monitor.delivery.mqtt import BrokerAddress
from monitor.delivery.mqtt_sink import MqttSink
from monitor.delivery.topics import Topics
from monitor.errors import StorageError
from monitor.journal.store import Journal
from monitor.records import Entry, Health, Moment
from monitor.runtime.backoff import Backoff
from monitor.settings.model import SettingsTree
from monitor.settings.outward import MqttSettings

_log = logging.getLogger(__name__)
_SAVED = "retained"
_LAST_WORD_S = 3.0
_SITE_KINDS = tuple(str(kind) for kind in SITE_KINDS)

Pictures = Mapping[str, tuple[Mapping[str, Any], Mapping[str, Mapping[str, Any]]]]


class Retained(msgspec.Struct, frozen=True):
    """What may stand at the broker: topics by connection, and which description Homie was given."""

    own: tuple[str, ...] = ()
    homie: tuple[str, ...] = ()
    description: str = ""
    version: int = 0


class Homes:
    """Both adapters of one site, as far as they are switched on.

    Args:
        tree: the configuration.
        mqtt: its broker.
        journal: keeps what is retained at the broker.
        sink: the connection that our own topics go over.
        now: the daemon's first moment.

    Raises:
        SettingsError: the broker's password cannot be read.
    """

    def __init__(
        self, tree: SettingsTree, mqtt: MqttSettings, journal: Journal, sink: MqttSink, now: Moment
    ) -> None:
        self._journal, self._sink = journal, sink
        self._saved = _read(journal)
        self._troubled = self._failing = False
        kinds = tuple(str(kind) for kind in KINDS)
        topics = Topics(mqtt.topic_root, tree.site.id)
        names = {name: s.name or name for name, s in tree.filters.items()}
        title = tree.site.name or tree.site.id
        announced = _announced(mqtt, topics, title, names, kinds)
        self._own = (
            *announced,
            topics.presence,
            *(t for n in names for t in _own_topics(topics, n, kinds)),
        )
        sink.stand_beside(announced, [t for t in self._saved.own if t not in self._own])

        self._device = (
            Device(mqtt.homie.root, tree.site.id, title, names, kinds, _SITE_KINDS)
            if mqtt.homie.enabled
            else None
        )
        self._homie = tuple(self._device.topics()) if self._device is not None else ()
        self._described = _digest(self._device, self._saved)
        self._version = _version(self._described, self._saved, now)
        self._homie_sink = self._built(lambda: _beside(broker_address(mqtt, tree.site.id)))
        self._dispatcher: Dispatcher[Entry] | None = None
        if self._homie_sink is not None:
            self._dispatcher = Dispatcher(NoEvents(), self._homie_sink, Backoff())
            self._homie_sink.on_lost = self._dispatcher.wake
        self._remember(now)

    def _built(self, address: Callable[[], BrokerAddress]) -> HomieSink | HomieFarewell | None:
        gone = [topic for topic in self._saved.homie if topic not in self._homie]
        if self._device is not None:
            return HomieSink(address, self._device.state_topic, gone)
        return HomieFarewell(address, gone) if gone else None

    def start(self) -> None:
        """Begin to show."""
        if self._dispatcher is not None:
            self._dispatcher.start()

    def show(self, pictures: Pictures, now: Moment) -> None:
        """Let every filter stand as its state and its alarms say, under `SITE` the site's own alarms.

        No error reaches the caller.
        """
        try:
            self._stand(pictures)
        except Exception:  # what is a convenience must not stop the loop that raises alarms
            if not self._failing:
                _log.exception("home automation cannot be shown how the filters stand")
            self._failing = True
        if self._dispatcher is not None:
            self._dispatcher.wake()
        self._remember(now)

    def _stand(self, pictures: Pictures) -> None:
        if self._device is not None and isinstance(self._homie_sink, HomieSink):
            messages = {self._device.description_topic: self._device.description(self._version)}
            for name, (state, alarms) in pictures.items():
                messages.update(
                    self._device.site_values(alarms)
                    if name == SITE
                    else self._device.values(name, state, alarms)
                )
            self._homie_sink.stand(messages)

    def health(self) -> list[Health]:
        """Say whether the connection of its own works, where there is one to be kept."""
        if self._device is None or self._dispatcher is None:
            return []
        return [self._dispatcher.health()]

    def ask_to_stop(self) -> None:
        """Say that the end is near, without waiting."""
        if self._dispatcher is not None:
            self._dispatcher.halt(0.0, 0.0)

    def stop(self) -> None:
        """Disconnect."""
        if self._dispatcher is not None:
            self._dispatcher.halt(0.0, _LAST_WORD_S)

    def _remember(self, now: Moment) -> None:
        """Write down what may be retained, whenever that changes."""
        leaving = self._homie_sink.leaving if self._homie_sink is not None else []
        due = Retained(
            (*self._own, *self._sink.leaving),
            (*self._homie, *leaving),
            self._described,
            self._version,
        )
        if due == self._saved:
            return
        try:
            self._journal.record(now, states={_SAVED: msgspec.json.encode(due)})
        except StorageError as error:
            if not self._troubled:
                _log.warning("what is retained at the broker is not on record: %s", error)
            self._troubled = True
            return
        self._saved, self._troubled = due, False


def _beside(address: BrokerAddress) -> BrokerAddress:
    """Return the same broker under the client id of Homie's own connection."""
    return msgspec.structs.replace(address, client_id=f"{address.client_id}-homie")


def _announced(
    mqtt: MqttSettings, topics: Topics, title: str, names: Mapping[str, str], kinds: tuple[str, ...]
) -> dict[str, bytes]:
    if not mqtt.discovery.enabled:
        return {}
    prefix, site = mqtt.discovery.prefix, topics.site
    found = {
        home_assistant.config_topic(prefix, site, filter_id): home_assistant.config(
            topics, filter_id, name, kinds, __version__
        )
        for filter_id, name in names.items()
    }
    own = home_assistant.site_config(topics, title, _SITE_KINDS, __version__)
    return {**found, home_assistant.config_topic(prefix, site, SITE): own}


def written_beside(tree: SettingsTree) -> list[str]:
    """Return the topics that the adapters write beside our own branch, for the broker's rules."""
    mqtt = tree.mqtt
    found: list[str] = []
    if mqtt is not None and mqtt.homie.enabled:
        device = Device(mqtt.homie.root, tree.site.id, "", {}, ())
        found.append(device.state_topic.rpartition("/")[0] + "/#")
    if mqtt is not None and mqtt.discovery.enabled:
        prefix, site = mqtt.discovery.prefix, tree.site.id
        found += [home_assistant.config_topic(prefix, site, n) for n in (*tree.filters, SITE)]
    return found


def read_beside(tree: SettingsTree) -> list[str]:
    """Return what home automation reads beside our own branch: all of both conventions' topics."""
    mqtt = tree.mqtt
    found: list[str] = []
    if mqtt is not None and mqtt.homie.enabled:
        found.append(f"{mqtt.homie.root}/#")
    if mqtt is not None and mqtt.discovery.enabled:
        found.append(f"{mqtt.discovery.prefix}/#")
    return found


def _own_topics(topics: Topics, filter_id: str, kinds: tuple[str, ...]) -> list[str]:
    return [topics.state(filter_id), *(topics.alarm(filter_id, kind) for kind in kinds)]


def _read(journal: Journal) -> Retained:
    body = journal.states().get(_SAVED)
    try:
        return Retained() if body is None else msgspec.json.decode(body, type=Retained)
    except msgspec.DecodeError as error:
        _log.warning("saved %s cannot be read (%s); it begins anew", _SAVED, error)
        return Retained()


def _digest(device: Device | None, saved: Retained) -> str:
    if device is None:
        return saved.description
    return hashlib.sha256(device.description(0)).hexdigest()


def _version(described: str, saved: Retained, now: Moment) -> int:
    """Return a version that grows with every change, over a lost journal and a wrong clock too."""
    if described == saved.description:
        return saved.version
    return max(saved.version + 1, int(now.utc_s))
