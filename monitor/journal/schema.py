"""The tables of the journal and how one version becomes the next."""

from __future__ import annotations

import sqlite3

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

# Events that a sink can never take (an empty sink: that nobody can read), and what was dropped.
_ASIDE = """
CREATE TABLE aside (
    sink TEXT NOT NULL, seq INTEGER NOT NULL, utc_s REAL NOT NULL, why TEXT NOT NULL,
    PRIMARY KEY (sink, seq)
);
CREATE TABLE counts (name TEXT PRIMARY KEY, number INTEGER NOT NULL);
"""

# What is left of samples when they are older than a few days: one row a minute. Integers, since SQLite
# keeps a small one in two or three bytes and any real number in eight. `minute` is that of the line,
# whole minutes from its 0; nobody asks for samples by filter, and the old index was half of what a
# sample cost the card.
_MINUTES = """
CREATE TABLE minutes (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    filter TEXT NOT NULL, minute INTEGER NOT NULL, utc_s INTEGER NOT NULL,
    synchronised INTEGER NOT NULL, samples INTEGER NOT NULL, flow_samples INTEGER NOT NULL,
    flow_ml_per_h INTEGER, lowest_ml_per_h INTEGER, highest_ml_per_h INTEGER,
    clean_ml_per_h INTEGER, temperature_samples INTEGER NOT NULL, temperature_mc INTEGER
);
DROP INDEX samples_by_time
"""

# How a journal of version n becomes one of version n + 1. A released step is never changed: a new
# version is a new step at the end, and a journal of it joins tests/unit/journal/released.
STEPS: tuple[str, ...] = (_CREATE, _ASIDE, _MINUTES)
VERSION = len(STEPS)


def bring_up(link: sqlite3.Connection) -> None:
    """Create the tables, or bring older ones to this version, in one transaction.

    Raises:
        sqlite3.DatabaseError: the file is not a journal, or the disk refuses.
        NewerJournalError: the journal belongs to a newer program.
    """
    if _version(link) == VERSION:
        return
    # Only one of two programs that start together does it; the other then finds it done.
    link.execute("BEGIN IMMEDIATE")
    try:
        found = _version(link)
        if found > VERSION:
            raise NewerJournalError(found)
        for step in STEPS[found:]:
            for statement in step.split(";\n"):
                link.execute(statement)
        link.execute(f"PRAGMA user_version = {VERSION}")
    except BaseException:
        link.execute("ROLLBACK")
        raise
    link.execute("COMMIT")


def _version(link: sqlite3.Connection) -> int:
    return int(link.execute("PRAGMA user_version").fetchone()[0])


class NewerJournalError(Exception):
    """The journal was written by a newer program."""

    def __init__(self, version: int) -> None:
        self.version = version
        super().__init__(f"version {version}")
