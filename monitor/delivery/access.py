"""What one site may do at the broker, as commands of Mosquitto's dynamic-security plugin. Pure.

An ACL file does not judge subscriptions, so that any client could join a shared group and swallow
what others should get; the plugin judges them (its documentation, part of Mosquitto 2.0). A site writes
its own branch and reads its own commands, nothing else: its role says so itself, whatever the broker's
default is, so that nothing changes for other clients. A reader may subscribe to the site's branch.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from monitor import access
from monitor.access import allowed
from monitor.delivery.topics import Topics


def reader_role(topics: Topics, orders: bool = False, beside: Sequence[str] = ()) -> dict[str, Any]:
    """Return the role of those who read a site.

    Args:
        topics: of the site.
        orders: they may give the site orders too.
        beside: what they may also read, topics of home automation.
    """
    read = (f"{_branch(topics)}/#", *beside)
    kinds = ("subscribePattern", "publishClientReceive", "unsubscribePattern")
    gives = [allowed("publishClientSend", topics.commands)] if orders else []
    return {
        "rolename": reader_name(topics),
        "textname": f"reads {', '.join(read)}{', gives orders' if orders else ''}",
        "acls": [*(allowed(kind, topic) for topic in read for kind in kinds), *gives],
    }


def _branch(topics: Topics) -> str:
    return f"{topics.root}/{topics.site}"


def reader_name(topics: Topics) -> str:
    """Return the name of the role of those who read a site."""
    return f"readers-{topics.root.replace('/', '-')}-{topics.site}"


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
    both = access.renewed(role, client) if renew else access.made(role, client)
    return msgspec.json.encode({"commands": both})


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
        orders, beside: as for `reader_role`.
        renew: the role is there already and is brought up to date.
    """
    role = reader_role(topics, orders, beside)
    client = {"username": username, "rolename": role["rolename"], "priority": 0}
    return msgspec.json.encode(
        {
            "commands": [
                {"command": "modifyRole" if renew else "createRole", **role},
                {"command": "createClient", "username": username},
                {"command": "addClientRole", **client},
            ]
        }
    )


def reader_withdrawal(topics: Topics, username: str) -> bytes:
    """Return what to send to `CONTROL_TOPIC` so that a client no longer reads this site."""
    client = {"username": username, "rolename": reader_name(topics)}
    return msgspec.json.encode({"commands": [{"command": "removeClientRole", **client}]})


def withdrawal(topics: Topics, username: str) -> bytes:
    """Return what to send to `CONTROL_TOPIC` so that a site can no longer log in."""
    gone = access.removed(username, access.site_role_name(topics.root, topics.site))
    return msgspec.json.encode({"commands": gone})
