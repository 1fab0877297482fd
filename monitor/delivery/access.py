"""What one site may do at the broker, as commands of Mosquitto's dynamic-security plugin. Pure.

An ACL file does not judge subscriptions, so that any client could join a shared group and swallow
what others should get; the plugin refuses what no role allows (its documentation, part of Mosquitto
2.0). A site writes its own branch and reads its own commands, nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from monitor.delivery.topics import Topics

CONTROL_TOPIC = "$CONTROL/dynamic-security/v1"


def site_role(topics: Topics, beside: Sequence[str] = ()) -> dict[str, Any]:
    """Return the role of one site; it may also write the topics that match `beside`."""
    branch = f"{topics.root}/{topics.site}"

    def allowed(kind: str, topic: str) -> dict[str, Any]:
        return {"acltype": kind, "topic": topic, "priority": 0, "allow": True}

    return {
        "rolename": role_name(topics),
        "textname": f"site {topics.site}: writes {branch}/#, reads {topics.commands}",
        "acls": [
            allowed("publishClientSend", f"{branch}/#"),
            *(allowed("publishClientSend", topic) for topic in beside),
            allowed("publishClientReceive", topics.commands),
            allowed("subscribeLiteral", topics.commands),
            allowed("unsubscribeLiteral", topics.commands),
        ],
    }


def role_name(topics: Topics) -> str:
    """Return the name of a site's role."""
    return f"site-{topics.root.replace('/', '-')}-{topics.site}"


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
                # Nothing that no role allows, also for clients that have none.
                {
                    "command": "setDefaultACLAccess",
                    "acls": [
                        {"acltype": "publishClientSend", "allow": False},
                        {"acltype": "publishClientReceive", "allow": False},
                        {"acltype": "subscribe", "allow": False},
                        {"acltype": "unsubscribe", "allow": True},
                    ],
                },
                {"command": "modifyRole" if renew else "createRole", **role},
                {"command": "modifyClient" if renew else "createClient", **client},
            ]
        }
    )


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
