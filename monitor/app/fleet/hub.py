"""A hub process: a worker, and beside it history, telling and watching; all processes are alike."""

from __future__ import annotations

import logging
import signal
import socket
import ssl
import threading
from pathlib import Path
from typing import Any, Protocol

import redis

from monitor.app.fleet.history import History, Line
from monitor.app.fleet.lines import lines_of
from monitor.app.fleet.past import Past
from monitor.app.fleet.telling import Reach
from monitor.app.outlet import server_of
from monitor.delivery.influx import InfluxSink
from monitor.delivery.influxql import Asker
from monitor.errors import SettingsError, UserMistake
from monitor.fleet.business import Standing
from monitor.hub.books.books import Books
from monitor.hub.broker import Broker
from monitor.hub.redis_link import connect, unfit
from monitor.hub.state import NOTES, ROWS, State
from monitor.hub.streams import Stream
from monitor.hub.teller import Ledger, Teller
from monitor.hub.watcher import Watcher
from monitor.hub.worker import Options, Worker
from monitor.runtime.lock import DaemonLock
from monitor.settings.fleet import FleetTree, secret

_log = logging.getLogger(__name__)
_JOIN_S = 20.0


class Loop(Protocol):
    """One of the threads of a hub process."""

    def run(self) -> None:
        """Serve until stopped."""

    def stop(self) -> None:
        """End soon."""


class Business(Protocol):
    """What a hub process needs of the books."""

    def places(self) -> dict[str, str]:
        """Return the place of each site."""

    def names(self) -> dict[str, str]:
        """Return what people call each site."""

    def gone(self) -> frozenset[str]:
        """Return the sites that the business looks after no more."""


class _FromBooks:
    """The business as its books have it."""

    def __init__(self, books: Books) -> None:
        self._books = books

    def places(self) -> dict[str, str]:
        """Return the place of each site that has one."""
        return {site.id: site.place for site in self._books.sites.all() if site.place}

    def names(self) -> dict[str, str]:
        """Return what people call each site."""
        return {site.id: site.name for site in self._books.sites.all() if site.name}

    def gone(self) -> frozenset[str]:
        """Return the sites that were revoked."""
        found = self._books.sites.all()
        return frozenset(site.id for site in found if site.standing is Standing.REVOKED)


def serve_books(books: Books) -> Business:
    """Return what a hub process needs of the books; they are read anew each time."""
    return _FromBooks(books)


def link_of(tree: FleetTree) -> redis.Redis:
    """Return a link to Redis; nothing is asked of it yet.

    Raises:
        SettingsError: the password cannot be read.
    """
    settings = tree.redis
    return connect(
        settings.url, settings.username, secret("redis.password_file", settings.password_file)
    )


def state_of(tree: FleetTree, link: redis.Redis) -> State:
    """Return the memory of the fleet."""
    settings = tree.redis
    most_rows = max(1, tree.watch.history_most // settings.shards)
    return State(link, settings.prefix, settings.shards, most_rows)


def past_of(tree: FleetTree) -> Past:
    """Return the history of the fleet; nothing is asked of its server yet.

    Raises:
        UserMistake: there is none that can be read back.
        SettingsError: its token or certificate cannot be read.
    """
    settings = tree.influx
    if not settings.url:
        raise UserMistake("influx.url: is empty, so no history is kept; reports are made of it")
    if settings.kind == "victoriametrics":
        raise UserMistake(
            'influx.kind: is "victoriametrics", which keeps no texts; reports want InfluxDB'
        )
    return Past(Asker(server_of(settings)), settings.prefix)


def broker_of(tree: FleetTree) -> Broker:
    """Return the broker; its password is read anew each time.

    Raises:
        SettingsError: the password or a certificate cannot be read.
    """
    settings, tls = tree.broker, tree.broker.tls
    context = None
    if tls.enabled:
        for name in ("ca_file", "cert_file", "key_file"):
            file = getattr(tls, name)
            if file and not Path(file).is_file():
                raise SettingsError([f"broker.tls.{name}: {file}: no such file; put it there"])
        try:
            context = ssl.create_default_context(cafile=tls.ca_file or None)
            if tls.cert_file:
                context.load_cert_chain(tls.cert_file, tls.key_file or None)
        except (OSError, ssl.SSLError) as error:
            raise SettingsError([f"broker.tls: a certificate cannot be used: {error}"]) from error
    return Broker(
        settings.host,
        settings.port or (8883 if tls.enabled else 1883),
        settings.username,
        secret("broker.password_file", settings.password_file),
        context,
    )


def worker_name(number: int) -> str:
    """Return the stable id of a worker: this machine and its number there."""
    return f"hub-{socket.gethostname()}-{number}"[:60]


class Hub:
    """One process.

    Args:
        tree: the configuration.
        number: of this process on this machine; no two may have the same.
        ledger: what was told, on disk.
        business: the books.
        reach: hands messages to people, `None` where nobody is to be told.
    """

    def __init__(
        self,
        tree: FleetTree,
        number: int,
        ledger: Ledger,
        business: Business,
        reach: Reach | None,
    ) -> None:
        name = worker_name(number)
        # Two under one name would throw each other out at the broker without end.
        self._lock = DaemonLock(
            Path(tree.books.folder),
            f"worker-{number}.lock",
            f"another canister hub run{{holder}} has number {number} here; give this one another --number",
        )
        link = self._link = link_of(tree)
        state = state_of(tree, link)
        broker_of(tree)  # what cannot be read is a mistake now, and bad luck later
        lines = lines_of(tree.influx.prefix, tree.influx.kind != "victoriametrics")
        settings = tree.broker
        options = Options(name, settings.topic_root, settings.share, settings.session_expiry_s)
        wants_history = bool(tree.influx.url)
        self.worker = (
            Worker(options, lambda: broker_of(tree), state, lines)
            if wants_history
            else Worker(options, lambda: broker_of(tree), state)
        )
        self._loops: dict[str, Loop] = {
            "watch": Watcher(
                state,
                name,
                tree.watch.silent_after_beats,
                tree.watch.skew_s,
                business.places,
                gone=business.gone,
            )
        }
        if wants_history:
            server_of(tree.influx)
            sink: InfluxSink[Line] = InfluxSink(
                "history", lambda: server_of(tree.influx), lambda row: row.text, 5000
            )
            self._loops["history"] = History(state, Stream(link, state, ROWS, name), sink)
        if reach is not None:
            notes = Stream(link, state, NOTES, name)
            self._loops["tell"] = Teller(
                state, notes, ledger, reach.tell, name, tree.watch.gather_s, business.names,
                waits=reach.waits,
            )  # fmt: skip

    def unfit(self) -> list[str]:
        """Return why this Redis must not hold the state of a fleet, in a line each; none is well.

        Raises:
            StateError: it does not answer.
        """
        return unfit(self._link)

    def run(self) -> int:
        """Serve until told to stop; return the exit code.

        Raises:
            StorageError: another process of this machine has this number.
        """
        self._lock.take()
        threads = [
            threading.Thread(target=loop.run, name=name, daemon=True)
            for name, loop in self._loops.items()
        ]
        for one in threads:
            one.start()
        _log.info("%s serves", self.worker.name)
        self.worker.run()
        for loop in self._loops.values():
            loop.stop()
        for one in threads:
            one.join(_JOIN_S)
        self._lock.release()
        return 0

    def stop(self, *_arguments: Any) -> None:
        """End after what is in hand; what is not acknowledged comes again."""
        self.worker.stop()

    def obey_signals(self) -> None:
        """Stop on SIGTERM and on Ctrl-C."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self.stop)
