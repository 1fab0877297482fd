"""The audit trail: who did what to what, and when. Nothing in it is ever changed."""

from __future__ import annotations

import sqlite3

from monitor.fleet.business import Deed
from monitor.hub.books.link import Link

_COLUMNS = "number, utc_s, who, did, subject, detail"


def note(
    link: sqlite3.Connection, utc_s: float, who: str, did: str, subject: str, detail: str = ""
) -> None:
    """Write a line in the transaction of the deed itself: neither stands without the other."""
    link.execute(
        "INSERT INTO trail (utc_s, who, did, subject, detail) VALUES (?, ?, ?, ?, ?)",
        (utc_s, who, did, subject, detail),
    )


class Trail:
    """The trail of the books."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def add(self, who: str, did: str, subject: str, detail: str = "") -> None:
        """Note something that changes nothing else in the books, such as an acknowledgement.

        Raises:
            StorageError: it is not noted.
        """
        with self._link.writing() as link:
            note(link, self._link.clock(), who, did, subject, detail)

    def last(self, most: int, subject: str | None = None, before: int | None = None) -> list[Deed]:
        """Return the newest lines, newest first.

        Args:
            most: lines at the most.
            subject: only of this client, person, site or alarm.
            before: only lines with a smaller number, to look further back.
        """
        wanted, values = ["1"], list[object]()
        if subject is not None:
            wanted.append("subject = ?")
            values.append(subject)
        if before is not None:
            wanted.append("number < ?")
            values.append(before)
        with self._link.reading() as link:
            rows = link.execute(
                f"SELECT {_COLUMNS} FROM trail WHERE {' AND '.join(wanted)} "
                "ORDER BY number DESC LIMIT ?",
                (*values, most),
            ).fetchall()
        return [Deed(*row) for row in rows]

    def of_site(self, site: str, start_utc_s: float, end_utc_s: float) -> list[Deed]:
        """Return what was done to a site and its alarms in a span, oldest first."""
        # Alarms are subjects such as site/filter/kind/occurrence; 0 is the character after /.
        with self._link.reading() as link:
            rows = link.execute(
                f"SELECT {_COLUMNS} FROM trail WHERE (subject = ? OR (subject >= ? AND subject < ?)) "
                "AND utc_s >= ? AND utc_s < ? ORDER BY number",
                (site, f"{site}/", f"{site}0", start_utc_s, end_utc_s),
            ).fetchall()
        return [Deed(*row) for row in rows]
