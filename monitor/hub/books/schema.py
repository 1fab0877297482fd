"""The tables of the books and how one version becomes the next."""

from __future__ import annotations

import sqlite3

# Times are UTC in seconds. The trail is append only: the file itself refuses anything else.
# `told` claims first and says later: `said_utc_s` is empty until the message was handed over.
_CREATE = """
CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE clients (
    id TEXT PRIMARY KEY, name TEXT NOT NULL, contact TEXT NOT NULL
);
CREATE TABLE people (
    id TEXT PRIMARY KEY, name TEXT NOT NULL,
    role TEXT NOT NULL CHECK (role IN ('owner', 'technician', 'client')),
    client TEXT REFERENCES clients (id), password TEXT,
    CHECK ((role = 'client') = (client IS NOT NULL))
);
CREATE TABLE sites (
    id TEXT PRIMARY KEY, client TEXT NOT NULL REFERENCES clients (id),
    name TEXT NOT NULL, place TEXT NOT NULL,
    standing TEXT NOT NULL CHECK (standing IN ('enrolled', 'revoked')),
    enrolled_utc_s REAL NOT NULL, revoked_utc_s REAL
);
CREATE INDEX sites_by_client ON sites (client);
CREATE TABLE filters (
    site TEXT NOT NULL REFERENCES sites (id), filter TEXT NOT NULL,
    media_card TEXT NOT NULL, pads TEXT NOT NULL, bring TEXT NOT NULL,
    lamp_installed TEXT NOT NULL, lamp_rated_h REAL,
    consequence TEXT NOT NULL CHECK (consequence IN ('low', 'normal', 'high')),
    note TEXT NOT NULL, PRIMARY KEY (site, filter)
);
CREATE TABLE assignments (
    alarm TEXT PRIMARY KEY, person TEXT NOT NULL REFERENCES people (id),
    by TEXT NOT NULL, utc_s REAL NOT NULL
);
CREATE TABLE trail (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    utc_s REAL NOT NULL, who TEXT NOT NULL, did TEXT NOT NULL, subject TEXT NOT NULL,
    detail TEXT NOT NULL
);
CREATE INDEX trail_by_subject ON trail (subject);
CREATE TRIGGER trail_never_changes BEFORE UPDATE ON trail
    BEGIN SELECT RAISE(ABORT, 'the audit trail is append only'); END;
CREATE TRIGGER trail_never_shrinks BEFORE DELETE ON trail
    BEGIN SELECT RAISE(ABORT, 'the audit trail is append only'); END;
CREATE TABLE told (
    id TEXT PRIMARY KEY, claimed_utc_s REAL NOT NULL, said_utc_s REAL
) WITHOUT ROWID
"""

# How books of version n become those of version n + 1. A released step is never changed: a new
# version is a new step at the end.
STEPS: tuple[str, ...] = (_CREATE,)
VERSION = len(STEPS)


def bring_up(link: sqlite3.Connection) -> None:
    """Create the tables, or bring older ones to this version, in one transaction.

    Raises:
        sqlite3.DatabaseError: the file is not the books, or the disk refuses.
        NewerBooksError: they belong to a newer program.
    """
    if _version(link) == VERSION:
        return
    # Only one of two programs that start together does it; the other then finds it done.
    link.execute("BEGIN IMMEDIATE")
    try:
        found = _version(link)
        if found > VERSION:
            raise NewerBooksError(found)
        for step in STEPS[found:]:
            for statement in _statements(step):
                link.execute(statement)
        link.execute(f"PRAGMA user_version = {VERSION}")
    except BaseException:
        link.execute("ROLLBACK")
        raise
    link.execute("COMMIT")


def _statements(step: str) -> list[str]:
    """The statements of a step; a trigger has semicolons of its own inside."""
    found, begun = [], ""
    for line in step.splitlines(keepends=True):
        begun += line
        if sqlite3.complete_statement(begun):
            found.append(begun)
            begun = ""
    return [*found, begun] if begun.strip() else found


def _version(link: sqlite3.Connection) -> int:
    return int(link.execute("PRAGMA user_version").fetchone()[0])


class NewerBooksError(Exception):
    """The books were written by a newer program."""

    def __init__(self, version: int) -> None:
        self.version = version
        super().__init__(f"version {version}")
