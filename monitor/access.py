"""Who may do what at the broker, as commands of Mosquitto's dynamic-security plugin. Pure.

An ACL file does not judge subscriptions, so that any client could join a shared group and swallow
what others should get; the plugin refuses what no role allows (its documentation, part of Mosquitto
2.0). A site writes its own branch and reads its own commands, nothing else; a hub reads all branches and
writes commands, nothing else. Each role says so itself, whatever the broker's default is. A reader may
subscribe to a site's branch.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

CONTROL_TOPIC = "$CONTROL/dynamic-security/v1"
RESPONSE_TOPIC = f"{CONTROL_TOPIC}/response"

Command = dict[str, Any]


# Of two rules that fit, the plugin takes the one of higher priority. A pattern does not reach topics
# that begin with a dollar sign unless it does too (MQTT 5.0 section 4.7.2).
_KINDS = ("publishClientSend", "publishClientReceive", "subscribePattern")
_EVERYTHING = ("#", "$SYS/#", "$CONTROL/#", "$share/#")


def _allowed(kind: str, topic: str) -> Command:
    return {"acltype": kind, "topic": topic, "priority": 1, "allow": True}


def _nothing_else() -> list[Command]:
    return [
        {"acltype": kind, "topic": topic, "priority": 0, "allow": False}
        for kind in _KINDS
        for topic in _EVERYTHING
    ]


def nothing_by_default() -> Command:
    """Return the command after which nothing passes that no role allows, also for users without one."""
    return {
        "command": "setDefaultACLAccess",
        "acls": [
            {"acltype": "publishClientSend", "allow": False},
            {"acltype": "publishClientReceive", "allow": False},
            {"acltype": "subscribe", "allow": False},
            {"acltype": "unsubscribe", "allow": True},
        ],
    }


def _flat(root: str) -> str:
    """A root in a name: no root has a dot, so that a/b and a-b stay two."""
    return root.replace("/", ".")


def site_role_name(root: str, site: str) -> str:
    """Return the name of a site's role; the hub names the site's user and client id so too."""
    return f"site-{_flat(root)}-{site}"


def site_role(root: str, site: str, beside: Sequence[str] = ()) -> Command:
    """Return the role of one site; it may also write the topics that match `beside`."""
    branch = f"{root}/{site}"
    commands = f"{branch}/commands"
    return {
        "rolename": site_role_name(root, site),
        "textname": f"site {site}: writes {branch}/#, reads {commands}",
        "acls": [
            _allowed("publishClientSend", f"{branch}/#"),
            *(_allowed("publishClientSend", topic) for topic in beside),
            _allowed("publishClientReceive", commands),
            _allowed("subscribeLiteral", commands),
            _allowed("unsubscribeLiteral", commands),
            *_nothing_else(),
        ],
    }


def reader_role_name(root: str, site: str) -> str:
    """Return the name of the role of those who read a site."""
    return f"readers-{_flat(root)}-{site}"


def reader_role(root: str, site: str, orders: bool = False, beside: Sequence[str] = ()) -> Command:
    """Return the role of those who read a site.

    Args:
        root, site: which one.
        orders: they may give the site orders too.
        beside: what they may also read, topics of home automation.
    """
    read = (f"{root}/{site}/#", *beside)
    kinds = ("subscribePattern", "publishClientReceive", "unsubscribePattern")
    gives = [_allowed("publishClientSend", f"{root}/{site}/commands")] if orders else []
    return {
        "rolename": reader_role_name(root, site),
        "textname": f"reads {', '.join(read)}{', gives orders' if orders else ''}",
        "acls": [*(_allowed(kind, topic) for topic in read for kind in kinds), *gives],
    }


def hub_role_name(root: str) -> str:
    """Return the name of the role of a hub's workers."""
    return f"hub-{_flat(root)}"


def hub_role(root: str, share: str) -> Command:
    """Return the role of a hub: reads every branch, alone or shared, and writes commands only."""
    return {
        "rolename": hub_role_name(root),
        "textname": f"hub: reads {root}/#, writes {root}/+/commands",
        "acls": [
            _allowed("publishClientSend", f"{root}/+/commands"),
            _allowed("publishClientReceive", f"{root}/#"),
            _allowed("subscribePattern", f"{root}/#"),
            _allowed("subscribePattern", f"$share/{share}/{root}/#"),
            _allowed("unsubscribePattern", "#"),
            *_nothing_else(),
        ],
    }


def user(
    username: str, password: str | None, rolename: str, client_id: str | None = None
) -> Command:
    """Return a user with one role.

    Args:
        username: at the broker.
        password: `None` for one that a certificate names.
        rolename: of its only role.
        client_id: the only client id that it may bear; so no other user's session can be taken over
            by bearing its id. `None` leaves it free.
    """
    found: Command = {"username": username, "roles": [{"rolename": rolename, "priority": 0}]}
    if password is not None:
        found["password"] = password
    if client_id is not None:
        found["clientid"] = client_id
    return found


def made(role: Command, client: Command) -> list[Command]:
    """Return what makes a role and its user."""
    return [{"command": "createRole", **role}, {"command": "createClient", **client}]


def renewed(role: Command, client: Command) -> list[Command]:
    """Return what brings a role and its user up to date; its open sessions are cut."""
    return [{"command": "modifyRole", **role}, {"command": "modifyClient", **client}]


def new_password(username: str, password: str) -> Command:
    """Return what changes a password; open sessions are cut."""
    return {"command": "setClientPassword", "username": username, "password": password}


def removed(username: str, rolename: str) -> list[Command]:
    """Return what takes a user and its role away; open sessions are cut."""
    return [
        {"command": "deleteClient", "username": username},
        {"command": "deleteRole", "rolename": rolename},
    ]
