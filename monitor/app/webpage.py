"""Puts the page together and serves it: a process of its own beside the daemon."""

from __future__ import annotations

import ipaddress
import logging
import signal
import socket
import ssl
from pathlib import Path
from typing import Any, Protocol

from monitor.app.lookout import Lookout
from monitor.app.plans import watch_plans
from monitor.app.prediction import predicted_by_child
from monitor.errors import MachineError, SettingsError, UserMistake
from monitor.page.password import kept
from monitor.settings.model import SettingsTree
from monitor.units import SECONDS_PER_DAY

_log = logging.getLogger(__name__)
_BACKLOG = 64
_MOST_CONNECTIONS = 120
_OPEN_WARNING = (
    "Not encrypted: whoever shares this network can read the password and everything here. "
    "Give page.cert_file and page.key_file, or set page.host to 127.0.0.1."
)


class Listens(Protocol):
    """Settings of a page that is served: of one site, or of a fleet."""

    host: str
    port: int
    cert_file: str
    key_file: str


def is_loopback(host: str) -> bool:
    """Return whether only this machine can reach an address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def open_warning(settings: Listens) -> str:
    """Return what is to be said of a page that others can reach without encryption, else nothing."""
    return "" if is_loopback(settings.host) or settings.cert_file else _OPEN_WARNING


def serve_page(tree: SettingsTree, file: Path) -> None:
    """Serve the page until told to stop by SIGTERM or SIGINT.

    Raises:
        UserMistake: no password has been set, or the extra is not installed.
        SettingsError: certificate or key cannot be used.
        MachineError: the address cannot be had.
    """
    settings = tree.page
    secret = kept(Path(settings.password_file))
    try:
        import uvicorn  # noqa: F401

        from monitor.page.server import Web
    except ImportError as error:
        raise UserMistake(
            f"page: {error.name} is not installed; install the extra: pip install "
            "'canister-monitor[page]', or sudo deploy/install --page"
        ) from error
    check_certificate(settings)
    warning = open_warning(settings)
    if warning:
        _log.warning("page.host = %s: %s", settings.host, warning)
    listener = listen(settings.host, settings.port)
    site = Lookout(tree, file, watch_plans(tree, predicted_by_child(file)))
    web = Web(
        site, secret, settings.login_days * SECONDS_PER_DAY, bool(settings.cert_file), warning
    )
    try:
        serve(web.app(), settings, listener, "page")
    finally:
        site.close()


def serve(app: Any, settings: Listens, listener: socket.socket, name: str) -> None:
    """Serve an application until told to stop by SIGTERM or SIGINT.

    Args:
        app: an ASGI application.
        settings: where, and the certificate.
        listener: the address, taken already; it is closed at the end.
        name: of the page, for the log.
    """
    import uvicorn

    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,  # addresses of screens are nobody's business, and a card wears out
        server_header=False,
        proxy_headers=False,
        ws="none",
        loop="asyncio",
        http="h11",
        limit_concurrency=_MOST_CONNECTIONS,
        timeout_graceful_shutdown=2,
        ssl_certfile=settings.cert_file or None,
        ssl_keyfile=settings.key_file or None,
    )
    kind = "https" if settings.cert_file else "http"
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    _log.info("%s: %s://%s:%d", name, kind, _bracketed(settings.host), settings.port)
    # uvicorn ends in order, then sends the signal again to whoever handled it before: nothing is left.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: None)
    try:
        uvicorn.Server(config).run(sockets=[listener])
    finally:
        listener.close()


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def check_certificate(settings: Listens) -> None:
    """Look whether certificate and key can be used.

    Raises:
        SettingsError: they cannot.
    """
    if not settings.cert_file:
        return
    for name in ("cert_file", "key_file"):
        if not Path(getattr(settings, name)).is_file():
            raise SettingsError([f"page.{name}: {getattr(settings, name)}: no such file"])
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(
            settings.cert_file, settings.key_file
        )
    except (ssl.SSLError, OSError) as error:
        raise SettingsError(
            [
                f"page.cert_file: {settings.cert_file} with {settings.key_file}: {error}; they must be "
                "PEM files, belong together, and the page's user must be able to read them"
            ]
        ) from error


def listen(host: str, port: int) -> socket.socket:
    """Take the address.

    Raises:
        MachineError: it cannot be had.
    """
    try:
        family, kind, number, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        found = socket.socket(family, kind, number)
        try:
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            found.bind(address)
            found.listen(_BACKLOG)
        except OSError:
            found.close()
            raise
    except OSError as error:
        raise MachineError(
            f"page: cannot listen on {host}, port {port}: {error.strerror or error}; set page.host and "
            "page.port to an address of this machine that nobody else uses"
        ) from error
    return found
