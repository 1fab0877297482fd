"""What may stand in the books, and the lines that say what may not."""

from __future__ import annotations

import difflib
import re
import sqlite3

from monitor.errors import UserMistake

# As the ids of sites and filters are written in every configuration (settings.base.ID_PATTERN).
ID_PATTERN = r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$"
LONGEST_ID = 32
_LONGEST_TEXT = 500

_TABLES = {"client": "clients", "person": "people", "site": "sites"}
_COMMANDS = {
    "client": "canister hub client add",
    "person": "canister hub person add",
    "site": "canister hub enrol",
}


def an_id(kind: str, text: str) -> str:
    """Return an id that is well written.

    Raises:
        UserMistake: it is not.
    """
    if not re.fullmatch(ID_PATTERN, text) or len(text) > LONGEST_ID:
        raise UserMistake(
            f"{kind} {text!r}: expected lower-case letters, digits and single _ after a letter, at most "
            f"{LONGEST_ID}, such as north_room"
        )
    return text


def a_text(what: str, text: str, needed: bool = False) -> str:
    """Return a text for people on one line.

    Raises:
        UserMistake: it is empty though needed, too long, or has characters that cannot be shown.
    """
    text = text.strip()
    if needed and not text:
        raise UserMistake(f"{what}: is empty, expected a text; give one")
    if len(text) > _LONGEST_TEXT:
        raise UserMistake(
            f"{what}: has {len(text)} characters, expected {_LONGEST_TEXT} at the most; shorten it"
        )
    if not text.isprintable():
        raise UserMistake(
            f"{what}: has a line break or another control character; expected one line of text"
        )
    return text


def known(link: sqlite3.Connection, kind: str, wanted: str) -> None:
    """See that a client, person or site is in the books.

    Raises:
        UserMistake: it is not; names the nearest that is.
    """
    table = _TABLES[kind]
    if link.execute(f"SELECT 1 FROM {table} WHERE id = ?", (wanted,)).fetchone():
        return
    there = [row[0] for row in link.execute(f"SELECT id FROM {table}")]
    near = difflib.get_close_matches(wanted, there, 1)
    remedy = f"the nearest known is {near[0]}" if near else f"`{_COMMANDS[kind]}` adds one"
    raise UserMistake(f"{kind} {wanted!r}: not in the books; {remedy}")


def new(link: sqlite3.Connection, kind: str, wanted: str) -> None:
    """See that an id is not taken.

    Raises:
        UserMistake: it is.
    """
    if link.execute(f"SELECT 1 FROM {_TABLES[kind]} WHERE id = ?", (wanted,)).fetchone():
        raise UserMistake(
            f"{kind} {wanted!r}: is in the books already; `canister hub {kind} change` changes it, or "
            "take another id"
        )
