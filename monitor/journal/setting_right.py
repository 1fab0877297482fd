"""Gives records of before the clock was right their right time, a page at a time.

`line_s` only goes forward and never jumps within a run, so from one moment whose time is right the time of
every earlier record of the run follows.
"""

from __future__ import annotations

import sqlite3

from monitor.records import Moment

_PAGE_ROWS = 2000
# What an event says of other times by the same clock moves with it; null stays null.
_EVENTS = """
UPDATE events SET
    utc_s = :utc_s - (:line_s - line_s),
    synchronised = 1,
    body = json_set(
        body,
        '$.utc_s', :utc_s - (:line_s - line_s),
        '$.since_utc_s', json_extract(body, '$.since_utc_s') + :utc_s - (:line_s - line_s) - utc_s,
        '$.until_utc_s', json_extract(body, '$.until_utc_s') + :utc_s - (:line_s - line_s) - utc_s
    )
WHERE seq IN (
    SELECT seq FROM events WHERE run = :run AND synchronised = 0 AND line_s <= :line_s
    AND json_valid(body) LIMIT :page
)
"""
_SAMPLES = """
UPDATE samples SET utc_s = :utc_s - (:line_s - line_s), synchronised = 1
WHERE seq IN (
    SELECT seq FROM samples WHERE filter = :filter AND line_s BETWEEN :since_s AND :line_s
    AND synchronised = 0 LIMIT :page
)
"""
# A board that was without a clock for days has only minutes left of the first.
_MINUTES = """
UPDATE minutes SET utc_s = CAST(:utc_s - (:line_s - 60.0 * minute) AS INTEGER), synchronised = 1
WHERE seq IN (
    SELECT seq FROM minutes WHERE filter = :filter AND 60.0 * minute BETWEEN :since_s AND :line_s
    AND synchronised = 0 LIMIT :page
)
"""


def events_page(link: sqlite3.Connection, run: str, now: Moment) -> int:
    """Set one page of this run's events right; return how many."""
    asked = {"run": run, "utc_s": now.utc_s, "line_s": now.line_s, "page": _PAGE_ROWS}
    return link.execute(_EVENTS, asked).rowcount


def samples_page(link: sqlite3.Connection, name: str, since_line_s: float, now: Moment) -> int:
    """Set one page of a filter's samples, or minutes, since a moment right; return how many."""
    asked = {"filter": name, "since_s": since_line_s, "page": _PAGE_ROWS}
    whole = {**asked, "utc_s": now.utc_s, "line_s": now.line_s}
    return link.execute(_SAMPLES, whole).rowcount or link.execute(_MINUTES, whole).rowcount
