"""What one site may do at the broker, for whoever runs the broker; see `monitor.access`. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from monitor import access
from monitor.access import CONTROL_TOPIC
from monitor.delivery.topics import Topics

__all__ = ["CONTROL_TOPIC", "commands", "withdrawal"]


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
    return msgspec.json.encode({"commands": [access.nothing_by_default(), *both]})


def withdrawal(topics: Topics, username: str) -> bytes:
    """Return what to send to `CONTROL_TOPIC` so that a site can no longer log in."""
    name = access.site_role_name(topics.root, topics.site)
    return msgspec.json.encode({"commands": access.removed(username, name)})
