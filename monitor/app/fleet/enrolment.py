"""Enrols, renews and revokes sites: broker, books and bundle together; every deed is safe to repeat."""

from __future__ import annotations

import contextlib
import fcntl
import ipaddress
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec

from monitor import access
from monitor.errors import SettingsError, StorageError, UserMistake
from monitor.fleet.bundle import Bundle, written
from monitor.fleet.business import Standing
from monitor.hub import gatekeeper
from monitor.hub.books.books import Books
from monitor.hub.dynsec import Administrator, Plugin
from monitor.settings.fleet import BrokerSettings, FleetTree, secret

_LOCK = "enrolment.lock"
_LONGEST_CLIENT_ID = 64  # settings.model: mqtt.client_id


class Done(msgspec.Struct, frozen=True):
    """What was done: lines for people, and what is still to be sent to the broker by hand, if so."""

    lines: tuple[str, ...]
    by_hand: bytes | None = None


class Desk:
    """Where sites are enrolled.

    Args:
        tree: the hub's configuration.
        books: of the business.
        who: does it, for the trail.
    """

    def __init__(self, tree: FleetTree, books: Books, who: str) -> None:
        self._tree, self._books, self._who = tree, books, who
        self._broker = tree.broker
        self._root = tree.broker.topic_root

    def enrol(self, site: str, client: str, name: str, place: str, file: Path) -> Done:
        """Let a site log in, and write its bundle.

        Raises:
            UserMistake: it is enrolled already, no such client, or the bundle's file is there.
            BrokerError: the broker was not told; nothing is noted, no bundle left. To be repeated.
        """
        with self._alone():
            old = self._books.sites.may_enrol(site, client)
            password = gatekeeper.password_made()
            bundle = self._bundle(site, password)
            role = access.site_role(self._root, site)
            user = access.user(bundle.username, password, role["rolename"], bundle.client_id)
            by_hand = access.made(role, user)
            with _new_file(file, written(bundle)):
                left = self._told(
                    lambda p: gatekeeper.admit_site(p, self._root, site, password), by_hand
                )
                self._books.sites.enrol(site, client, name, place, self._who)
        again = " again" if old is not None else ""
        return Done((f"{site} is enrolled{again} for {client}.", *self._next(file)), left)

    def rotate(self, site: str, file: Path) -> Done:
        """Give a site another password, and write a new bundle; the old one is of no use any more.

        Raises:
            UserMistake: it is not enrolled, or the bundle's file is there.
            BrokerError: it is not known whether the broker has the new password. To be repeated.
        """
        with self._alone():
            if self._books.sites.get(site).standing is not Standing.ENROLLED:
                raise UserMistake(
                    f"site {site!r}: was revoked; `canister hub enrol {site} --client …` lets it in again"
                )
            password = gatekeeper.password_made()
            bundle = self._bundle(site, password)
            with _new_file(file, written(bundle)):
                left = self._told(
                    lambda p: gatekeeper.renew_password(p, self._root, site, password),
                    [access.new_password(bundle.username, password)],
                )
                self._books.sites.rotated(site, self._who)
        said = f"{site} has a new password; until its board has the bundle, it is shut out."
        return Done((said, *self._next(file)), left)

    def revoke(self, site: str) -> Done:
        """Let a site log in no more.

        Raises:
            UserMistake: no such site.
            BrokerError: it is not known whether the broker did it. To be repeated.
        """
        with self._alone():
            found = self._books.sites.get(site)
            name = access.site_role_name(self._root, site)
            left = self._told(
                lambda p: gatekeeper.dismiss_site(p, self._root, site), access.removed(name, name)
            )
            self._books.sites.revoke(site, self._who)
        return Done(
            (
                f"{site} logs in no more. Its history stays {found.client}'s.",
                f"Undo: canister hub enrol {site} --client {found.client}",
            ),
            left,
        )

    def set_up(self) -> Done:
        """Let the hub's own workers in, and nobody do what no role allows.

        Raises:
            UserMistake: the hub has no user name, or it is the administrator's.
            BrokerError: to be repeated.
        """
        broker = self._broker
        if not broker.username:
            raise UserMistake(
                'broker.username: none is set; name the hub\'s own user, such as username = "hub"'
            )
        if broker.username == broker.admin_username:
            raise UserMistake(
                "broker.username: is the administrator's too, who may do everything; give the hub a name "
                "of its own"
            )
        lines = []
        with self._alone():
            password, fresh = _hub_password(broker)
            if fresh:
                lines.append(f"{broker.password_file} made, with a password for the hub.")
            role = access.hub_role(self._root, broker.share)
            user = access.user(broker.username, password, role["rolename"])
            left = self._told(
                lambda p: gatekeeper.admit_hub(
                    p, self._root, broker.share, broker.username, password
                ),
                [access.nothing_by_default(), *access.made(role, user)],
            )
            self._books.trail.add(self._who, "broker set up", broker.username, self._place())
        lines.append(
            f"{broker.username} may read {self._root}/# and write commands at {self._place()}."
        )
        return Done(tuple(lines), left)

    def _place(self) -> str:
        return f"{self._broker.host}:{_port(self._broker)}"

    def _told(self, deed: Callable[[Plugin], None], by_hand: list[access.Command]) -> bytes | None:
        """Let the plugin do it; without an administrator return what is to be sent by hand."""
        who = administrator(self._broker)
        if who is None:
            return msgspec.json.encode({"commands": by_hand})
        with Plugin(who) as plugin:
            deed(plugin)
        return None

    def _bundle(self, site: str, password: str) -> Bundle:
        broker = self._broker
        host = broker.public_host or broker.host
        if not broker.public_host and _here(broker.host):
            raise UserMistake(
                f"broker.public_host: is not set, and a site's board does not find the broker as {broker.host}; "
                "set the name under which sites reach it"
            )
        name = access.site_role_name(self._root, site)
        if len(name) > _LONGEST_CLIENT_ID:
            raise UserMistake(
                f"site {site!r}: its name at the broker, {name}, is longer than {_LONGEST_CLIENT_ID} "
                "characters; take a shorter id"
            )
        return Bundle(
            site, host, _port(broker), broker.tls.enabled, self._root, name, name, password,
            _ca(broker),
        )  # fmt: skip

    def _next(self, file: Path) -> Iterator[str]:
        yield f"Bundle: {file}. Carry it to the board, there: canister join {file.name}; then delete it."
        host = self._broker.public_host or self._broker.host
        if not self._broker.tls.enabled and not _here(host):
            yield "broker.tls is off: whoever listens on the way to the broker reads the password."

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Two who enrol the same site at once would each leave a bundle, and one of them a dead one."""
        file = self._books.file.with_name(_LOCK)
        try:
            stream = os.open(file, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise StorageError(
                f"{file}: cannot be opened: {error.strerror}; look at the rights of books.folder"
            ) from error
        try:
            fcntl.flock(stream, fcntl.LOCK_EX)
            yield
        finally:
            os.close(stream)


def administrator(broker: BrokerSettings) -> Administrator | None:
    """Return how to reach the broker as its administrator, `None` where none is configured.

    Raises:
        SettingsError: the password's file cannot be read.
    """
    if not broker.admin_username:
        return None
    password = secret("broker.admin_password_file", broker.admin_password_file)
    tls = broker.tls
    return Administrator(
        broker.host, _port(broker), broker.admin_username, password,
        tls.enabled, tls.ca_file, tls.cert_file, tls.key_file,
    )  # fmt: skip


def _port(broker: BrokerSettings) -> int:
    return broker.port or (8883 if broker.tls.enabled else 1883)


def _here(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _ca(broker: BrokerSettings) -> str:
    file = broker.tls.ca_file
    if not (broker.tls.enabled and file):
        return ""
    try:
        text = Path(file).read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not a PEM text"
        raise SettingsError(
            [f"broker.tls.ca_file: cannot read {file}: {reason}; put the broker's authority there"]
        ) from error
    if "-----BEGIN CERTIFICATE-----" not in text or "PRIVATE KEY" in text or "'''" in text:
        raise SettingsError(
            [
                f"broker.tls.ca_file: {file}: expected certificates as PEM text and no private key; a site "
                "is given this file"
            ]
        )
    return text


def _hub_password(broker: BrokerSettings) -> tuple[str, bool]:
    """The hub's password, and whether it was made just now."""
    file = broker.password_file
    if not file:
        raise UserMistake(
            "broker.password_file: none is set; name a file, it is made with a password in it"
        )
    if Path(file).exists():
        return secret("broker.password_file", file) or "", False
    password = gatekeeper.password_made()
    with _new_file(Path(file), password + "\n"):
        return password, True


@contextlib.contextmanager
def _new_file(file: Path, text: str) -> Iterator[None]:
    """Write a secret into a file that was not there, for this user only; gone again if what follows fails.

    Raises:
        UserMistake: it is there.
        StorageError: it cannot be written.
    """
    try:
        made = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise UserMistake(
            f"{file}: is there already and is never written over; delete it, or name another file"
        ) from None
    except OSError as error:
        raise StorageError(
            f"{file}: cannot be written: {error.strerror}; name another place"
        ) from error
    try:
        try:
            with os.fdopen(made, "w", encoding="utf-8") as stream:
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise StorageError(
                f"{file}: cannot be written: {error.strerror}; look at the free space"
            ) from error
        yield
    except BaseException:
        file.unlink(missing_ok=True)
        raise
