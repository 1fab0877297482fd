"""What a hub needs of its surroundings, tried: broker, Redis, history, messages, books."""

from __future__ import annotations

from collections.abc import Callable

from monitor.app.fleet.hub import broker_of, link_of, state_of, worker_name
from monitor.app.fleet.telling import Reach
from monitor.app.outlet import server_of
from monitor.delivery.influx import look
from monitor.errors import CanisterError, MachineError
from monitor.fleet.messages import filters
from monitor.hub.books.books import Books
from monitor.hub.broker import Reader
from monitor.hub.redis_link import unfit
from monitor.records import Health
from monitor.settings.fleet import FleetTree


def checks(tree: FleetTree, books: Books) -> list[Health]:
    """Return how every part is; nothing is changed, and the workers are not disturbed."""
    return [
        _tried("books", lambda: _books(books)),
        _tried("redis", lambda: _redis(tree)),
        _tried("broker", lambda: _broker(tree)),
        _tried("history", lambda: _history(tree)),
        _tried("messages", lambda: _messages(tree)),
    ]


def _tried(part: str, ask: Callable[[], str]) -> Health:
    try:
        return Health(part, True, ask())
    except CanisterError as error:
        return Health(part, False, str(error))


def _books(books: Books) -> str:
    sites, people = books.sites.all(), books.people.all()
    return f"{books.file}: {len(sites)} sites, {len(people)} people"


def _redis(tree: FleetTree) -> str:
    link = link_of(tree)
    problems = unfit(link)
    if problems:
        raise MachineError("; ".join(problems))
    state = state_of(tree, link)
    count, _ = state.crowd()
    waiting, dropped = state.rows_waiting(), state.rows_dropped()
    lost = f", {dropped} lines of history dropped" if dropped else ""
    return f"{count} sites known, {waiting} lines of history wait{lost}"


def _broker(tree: FleetTree) -> str:
    broker = broker_of(tree)
    # A name of its own, so that no worker is thrown out; and not shared, so that none loses a message.
    reader = Reader(broker, worker_name(0).replace("hub-", "hub-check-", 1)[:60], 0)
    reader.open()
    try:
        reader.subscribe(filters(tree.broker.topic_root))
    finally:
        reader.close()
    return f"{broker.host}:{broker.port} lets the hub read every site"


def _history(tree: FleetTree) -> str:
    if not tree.influx.url:
        return "none configured; nothing is kept beyond the newest state"
    trouble = look(server_of(tree.influx))
    if trouble is not None:
        raise MachineError(f"{tree.influx.url}: {trouble}; look at influx.url")
    return f"{tree.influx.url} answers"


def _messages(tree: FleetTree) -> str:
    if not tree.notify.addresses_file:
        return "no address configured; nobody is told, the page and `canister hub list` show it"
    Reach(tree.notify)
    return "addresses can be used"
