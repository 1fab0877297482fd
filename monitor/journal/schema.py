"""The tables of the journal and how one version becomes the next."""

from __future__ import annotations

import sqlite3

VERSION = 2

# AUTOINCREMENT, so that a sequence number is never used twice even after rows were dropped.
_CREATE = """
CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE samples (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    filter TEXT NOT NULL, line_s REAL NOT NULL, utc_s REAL NOT NULL, synchronised INTEGER NOT NULL,
    flow_m3_per_s REAL, quality TEXT NOT NULL, clean_m3_per_s REAL, temperature_c REAL,
    temperature_quality TEXT NOT NULL
);
CREATE INDEX samples_by_time ON samples (filter, line_s);
CREATE TABLE events (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    run TEXT NOT NULL, filter TEXT NOT NULL, line_s REAL NOT NULL, utc_s REAL NOT NULL,
    synchronised INTEGER NOT NULL, body TEXT NOT NULL
);
CREATE TABLE states (name TEXT PRIMARY KEY, body TEXT NOT NULL, line_s REAL, utc_s REAL);
CREATE TABLE orders (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    made_utc_s REAL NOT NULL, body TEXT NOT NULL, done_utc_s REAL, answer TEXT
);
CREATE TABLE cursors (sink TEXT PRIMARY KEY, position INTEGER NOT NULL);
"""

# From each version to the next; `_CREATE` is version 1, so that every journal takes the same way.
# Version 2: events that a sink can never take (an empty sink: that nobody can read), and what was
# dropped, by name.
_STEPS = {
    2: """
CREATE TABLE aside (
    sink TEXT NOT NULL, seq INTEGER NOT NULL, utc_s REAL NOT NULL, why TEXT NOT NULL,
    PRIMARY KEY (sink, seq)
);
CREATE TABLE counts (name TEXT PRIMARY KEY, number INTEGER NOT NULL);
CREATE INDEX events_observed ON events (seq) WHERE body LIKE '%"event":"observed"%';
""",
}


def bring_up(link: sqlite3.Connection) -> None:
    """Create the tables, or bring older ones to this version, in one transaction.

    Raises:
        sqlite3.DatabaseError: the file is not a journal, or belongs to a newer program.
    """
    version = int(link.execute("PRAGMA user_version").fetchone()[0])
    if version == VERSION:
        return
    if version > VERSION:
        raise NewerJournalError(version)
    steps = ([_CREATE] if version == 0 else []) + [_STEPS[n] for n in _STEPS if n > version]
    link.executescript(
        f"BEGIN IMMEDIATE; {' '.join(steps)} PRAGMA user_version = {VERSION}; COMMIT;"
    )


class NewerJournalError(Exception):
    """The journal was written by a newer program."""

    def __init__(self, version: int) -> None:
        self.version = version
        super().__init__(f"version {version}")
