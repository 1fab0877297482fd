"""What one site, and who reads it, may do at the broker; for whoever runs it. See `monitor.access`. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from monitor import access
from monitor.access import CONTROL_TOPIC, Command
from monitor.delivery.topics import Topics

__all__ = ["CONTROL_TOPIC", "commands", "reader_commands", "reader_withdrawal", "withdrawal"]


def commands(
    topics: Topics,
    username: str,
    password: str | None,
    renew: bool = False,
    beside: Sequence[str] = (),
) -> bytes:
    """Return what to send to `CONTROL_TOPIC` so that a site can log in and do no more than it must.

    Args:
        topics: of the site.
        username, password: of the site; `None` for a client that a certificate names.
        beside: topics of home automation that the site writes too.
        renew: the role and the client are there already and are brought up to date.
    """
    role = access.site_role(topics.root, topics.site, beside)
    client = access.user(username, password, role["rolename"])
    return _encoded(access.renewed(role, client) if renew else access.made(role, client))


def reader_commands(
    topics: Topics,
    username: str,
    orders: bool = False,
    renew: bool = False,
    beside: Sequence[str] = (),
) -> bytes:
    """Return what to send to `CONTROL_TOPIC` so that a client can read this site.

    Whether role and client are there already does not matter: the plugin goes on after a command that it
    refuses. A client that is new has no password yet and cannot log in before it is given one.

    Args:
        topics: of the site.
        username: of the client.
        orders, beside: as for `access.reader_role`.
        renew: the role is there already and is brought up to date.
    """
    role = access.reader_role(topics.root, topics.site, orders, beside)
    client = {"username": username, "rolename": role["rolename"], "priority": 0}
    return _encoded(
        [
            {"command": "modifyRole" if renew else "createRole", **role},
            {"command": "createClient", "username": username},
            {"command": "addClientRole", **client},
        ]
    )


def reader_withdrawal(topics: Topics, username: str) -> bytes:
    """Return what to send to `CONTROL_TOPIC` so that a client no longer reads this site."""
    name = access.reader_role_name(topics.root, topics.site)
    return _encoded([{"command": "removeClientRole", "username": username, "rolename": name}])


def withdrawal(topics: Topics, username: str) -> bytes:
    """Return what to send to `CONTROL_TOPIC` so that a site can no longer log in."""
    return _encoded(access.removed(username, access.site_role_name(topics.root, topics.site)))


def _encoded(listed: Sequence[Command]) -> bytes:
    return msgspec.json.encode({"commands": listed})
