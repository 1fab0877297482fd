"""Makes, renews and takes away who may log in at the broker; every deed is safe to repeat."""

from __future__ import annotations

import secrets

from monitor import access
from monitor.hub.dynsec import Plugin

# What the plugin of Mosquitto 2.0 answers when there is nothing to do.
_THERE = ("Role already exists", "Client already exists")
_GONE = ("Role not found", "Client not found", "Role does not exist", "Client does not exist")


def password_made() -> str:
    """Return a password that nobody can guess and every shell and file takes."""
    return secrets.token_urlsafe(24)


def admit_site(plugin: Plugin, root: str, site: str, password: str) -> None:
    """Let a site in under its own client id; one that is there is brought up to date.

    Raises:
        BrokerError: it is not known whether all was done; to be repeated.
    """
    role = access.site_role(root, site)
    name = role["rolename"]
    client = access.user(name, password, name, client_id=name)
    _made_or_renewed(plugin, role, client)


def admit_hub(plugin: Plugin, root: str, share: str, username: str, password: str) -> None:
    """Let a hub's workers in; what is there is brought up to date.

    Raises:
        BrokerError: it is not known whether all was done; to be repeated.
    """
    role = access.hub_role(root, share)
    client = access.user(username, password, role["rolename"])
    plugin.do([access.nothing_by_default()])
    _made_or_renewed(plugin, role, client)


def _made_or_renewed(plugin: Plugin, role: access.Command, client: access.Command) -> None:
    plugin.do(access.made(role, client), fine=_THERE)
    plugin.do(access.renewed(role, client))


def renew_password(plugin: Plugin, root: str, site: str, password: str) -> None:
    """Give a site another password; its open session is cut."""
    plugin.do([access.new_password(access.site_role_name(root, site), password)])


def dismiss_site(plugin: Plugin, root: str, site: str) -> None:
    """Let a site in no more and cut its session; fine if it is gone already."""
    name = access.site_role_name(root, site)
    plugin.do(access.removed(name, name), fine=_GONE)
