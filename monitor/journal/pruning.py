"""Keeps the journal within its bounds: what goes first, a page at a time."""

from __future__ import annotations

import sqlite3

_PAGE_ROWS = 2000
_ORDERS_KEPT = 1000  # answered ones; what they led to are events


def one_page(link: sqlite3.Connection, older_than_line_s: float, max_bytes: int, owed: int) -> int:
    """Drop one page of old samples, or of what matters least while the file is too large.

    Args:
        link: inside a transaction.
        older_than_line_s: samples before this go in any case.
        max_bytes: above this size more goes.
        owed: events above this number are not dropped.

    Returns:
        How many rows went; 0 when there is nothing more to drop.
    """
    if (
        link.execute(
            "DELETE FROM orders WHERE seq IN (SELECT seq FROM orders WHERE done_utc_s IS NOT NULL "
            "ORDER BY seq DESC LIMIT ? OFFSET ?)",
            (_PAGE_ROWS, _ORDERS_KEPT),
        ).rowcount
        > 0
    ):
        return 1
    gone = link.execute(
        "DELETE FROM samples WHERE seq IN (SELECT seq FROM samples WHERE line_s < ? LIMIT ?)",
        (older_than_line_s, _PAGE_ROWS),
    ).rowcount
    if gone <= 0 and used_bytes(link) > max_bytes:
        gone = _shrink(link, owed)
    return max(0, gone)


def _shrink(link: sqlite3.Connection, owed: int) -> int:
    """Drop one page of what matters least, and count it; of events only up to `owed`."""
    for name, where in (
        ("samples", "samples"),
        ("minutes", "minutes"),
        ("observations", f'events WHERE seq <= {owed} AND body LIKE \'%"event":"observed"%\''),
        ("events", f"events WHERE seq <= {owed}"),
    ):
        table = where.split()[0]
        gone = link.execute(
            f"DELETE FROM {table} WHERE seq IN (SELECT seq FROM {where} ORDER BY seq LIMIT ?)",
            (_PAGE_ROWS,),
        ).rowcount
        if gone > 0:
            link.execute(
                "INSERT INTO counts VALUES (?, ?) "
                "ON CONFLICT (name) DO UPDATE SET number = number + excluded.number",
                (name, gone),
            )
            return int(gone)
    return 0


def used_bytes(link: sqlite3.Connection) -> int:
    """Return the size of what is in use; a page that was given free is used again before the file grows."""
    pages = link.execute("PRAGMA page_count").fetchone()[0]
    free = link.execute("PRAGMA freelist_count").fetchone()[0]
    return int((pages - free) * link.execute("PRAGMA page_size").fetchone()[0])
