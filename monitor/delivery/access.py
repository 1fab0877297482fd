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

from monitor.delivery.topics import Topics

CONTROL_TOPIC = "$CONTROL/dynamic-security/v1"


def site_role(topics: Topics, beside: Sequence[str] = ()) -> dict[str, Any]:
    """Return the role of one site; it may also write the topics that match `beside`."""
    branch = _branch(topics)
    return {
        "rolename": role_name(topics),
        "textname": f"site {topics.site}: writes {branch}/#, reads {topics.commands}",
        "acls": [
            _allowed("publishClientSend", f"{branch}/#"),
            *(_allowed("publishClientSend", topic) for topic in beside),
            _allowed("publishClientReceive", topics.commands),
            _allowed("subscribeLiteral", topics.commands),
            _allowed("unsubscribeLiteral", topics.commands),
            *(_denied(kind, topic) for kind in _KINDS for topic in _EVERYTHING),
        ],
    }


def reader_role(topics: Topics, orders: bool = False, beside: Sequence[str] = ()) -> dict[str, Any]:
    """Return the role of those who read a site.

    Args:
        topics: of the site.
        orders: they may give the site orders too.
        beside: what they may also read, topics of home automation.
    """
    read = (f"{_branch(topics)}/#", *beside)
    kinds = ("subscribePattern", "publishClientReceive", "unsubscribePattern")
    gives = [_allowed("publishClientSend", topics.commands)] if orders else []
    return {
        "rolename": reader_name(topics),
        "textname": f"reads {', '.join(read)}{', gives orders' if orders else ''}",
        "acls": [*(_allowed(kind, topic) for topic in read for kind in kinds), *gives],
    }


def _branch(topics: Topics) -> str:
    return f"{topics.root}/{topics.site}"


# Of two rules that fit, the plugin takes the one of higher priority. A pattern does not reach topics
# that begin with a dollar sign unless it does too (MQTT 5.0 section 4.7.2).
_KINDS = ("publishClientSend", "publishClientReceive", "subscribePattern")
_EVERYTHING = ("#", "$SYS/#", "$CONTROL/#", "$share/#")


def _allowed(kind: str, topic: str) -> dict[str, Any]:
    return {"acltype": kind, "topic": topic, "priority": 1, "allow": True}


def _denied(kind: str, topic: str) -> dict[str, Any]:
    return {"acltype": kind, "topic": topic, "priority": 0, "allow": False}


def role_name(topics: Topics) -> str:
    """Return the name of a site's role."""
    return f"site-{topics.root.replace('/', '-')}-{topics.site}"


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
    role, user = site_role(topics, beside), {"username": username}
    if password is not None:
        user["password"] = password
    client = {**user, "roles": [{"rolename": role["rolename"], "priority": 0}]}
    return msgspec.json.encode(
        {
            "commands": [
                {"command": "modifyRole" if renew else "createRole", **role},
                {"command": "modifyClient" if renew else "createClient", **client},
            ]
        }
    )


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
    return msgspec.json.encode(
        {
            "commands": [
                {"command": "deleteClient", "username": username},
                {"command": "deleteRole", "rolename": role_name(topics)},
            ]
        }
    )
