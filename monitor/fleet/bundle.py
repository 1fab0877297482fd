"""What a site is given so that it can join: one text with the broker, its name there and a secret. Pure."""

from __future__ import annotations

from typing import Any

import msgspec

from monitor.errors import UserMistake

_FORMAT = 1


class Bundle(msgspec.Struct, frozen=True):
    """Everything a board needs to publish to the fleet's broker. Its text form never shows the secret.

    Args:
        site: id of the site.
        host, port: of the broker, as the site reaches it.
        tls: whether the connection is encrypted.
        topic_root: first level of every topic.
        username, client_id, password: of the site at the broker.
        ca_pem: certificate authority of the broker, PEM text; empty for the system's own.
    """

    site: str
    host: str
    port: int
    tls: bool
    topic_root: str
    username: str
    client_id: str
    password: str
    ca_pem: str = ""

    def __repr__(self) -> str:
        return f"Bundle({self.site})"


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: int
    site: str
    host: str
    port: int
    tls: bool
    topic_root: str
    username: str
    client_id: str
    password: str
    ca_pem: str = ""


def written(bundle: Bundle) -> str:
    """Return a bundle as TOML."""
    lines = [
        f"# Lets the site {bundle.site} join the fleet: `canister join FILE` on its board, then delete it.",
        "# It holds a password. Whoever has this file can speak for the site.",
        f"format = {_FORMAT}",
    ]
    for name in Bundle.__struct_fields__:
        value = getattr(bundle, name)
        if name != "ca_pem":
            lines.append(f"{name} = {_value(value)}")
    if bundle.ca_pem:
        # A certificate is letters, digits, + / = and dashes (RFC 7468), so nothing needs escaping.
        lines.append(f"ca_pem = '''\n{bundle.ca_pem.strip()}\n'''")
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    # A JSON string is a TOML basic string (TOML 1.0.0, "String") but for the delete character, and
    # numbers and booleans look alike.
    return msgspec.json.encode(value).decode().replace("\x7f", "\\u007f")


def read(text: str, where: str) -> Bundle:
    """Return the bundle that a text holds.

    Args:
        text: TOML.
        where: its file, for the message.

    Raises:
        UserMistake: it is not a bundle, or one of a newer program. The message never shows a value.
    """
    try:
        found = msgspec.toml.decode(text, type=_File)
    except msgspec.ValidationError as error:
        raise UserMistake(
            f"{where}: is not a bundle of `canister hub enrol`: {_what(error)}; fetch it anew"
        ) from None
    except (msgspec.DecodeError, ValueError):
        raise UserMistake(
            f"{where}: is not a bundle of `canister hub enrol`: not valid TOML; fetch it anew"
        ) from None
    if found.format != _FORMAT:
        raise UserMistake(
            f"{where}: has format {found.format}, expected {_FORMAT}; upgrade canister on this board"
        )
    for name in ("site", "host", "username", "client_id", "password", "topic_root"):
        if not getattr(found, name):
            raise UserMistake(f"{where}: {name} is empty; fetch the bundle anew")
    if not 1 <= found.port <= 65535:
        raise UserMistake(f"{where}: port is {found.port}, expected 1 to 65535; fetch it anew")
    return Bundle(*(getattr(found, name) for name in Bundle.__struct_fields__))


def _what(error: msgspec.ValidationError) -> str:
    """The library names the field and the kind of value, never the value itself."""
    return str(error)
