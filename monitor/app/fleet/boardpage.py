"""Puts the board page together and serves it: a process of its own beside the workers."""

from __future__ import annotations

import logging

from monitor.app.fleet.board import FleetBoard
from monitor.app.fleet.hub import broker_of, link_of, state_of
from monitor.app.webpage import check_certificate, listen, open_warning, serve
from monitor.errors import UserMistake
from monitor.hub.books.books import Books
from monitor.hub.orders import Commander
from monitor.settings.fleet import FleetTree

_log = logging.getLogger(__name__)


def serve_board(tree: FleetTree, books: Books) -> None:
    """Serve the board page until told to stop by SIGTERM or SIGINT.

    Redis and the broker may be away: the page says so and goes on trying.

    Raises:
        UserMistake: nobody can log in yet, or the extra is not installed.
        SettingsError: certificate, key or a password file cannot be used.
        MachineError: the address cannot be had.
    """
    try:
        import uvicorn  # noqa: F401

        from monitor.page.fleet.server import Board
    except ImportError as error:
        raise UserMistake(
            f"page: {error.name} is not installed; install the extra: pip install "
            "'canister-monitor[hub,page]'"
        ) from error
    settings, watch = tree.page, tree.watch
    check_certificate(settings)
    if not any(person.has_password for person in books.people.all()):
        raise UserMistake(
            "page: nobody can log in yet; add somebody with `canister hub person add ID --role owner` and "
            "give them a password with `canister hub person password ID`"
        )
    broker_of(tree)  # what cannot be read is a mistake now, and bad luck later
    state = state_of(tree, link_of(tree))
    warning = open_warning(settings)
    if warning:
        _log.warning("page.host = %s: %s", settings.host, warning)
    listener = listen(settings.host, settings.port)
    commander = Commander(lambda: broker_of(tree), tree.broker.topic_root)
    board = FleetBoard(
        state, books, commander, tree.books.name, watch.silent_after_beats, watch.skew_s,
        settings.every_s,
    )  # fmt: skip
    board.start()
    web = Board(board, settings.login_hours * 3600.0, bool(settings.cert_file), warning)
    try:
        serve(web.app(), settings, listener, "board page")
    finally:
        board.close()
