"""What was said to people, and who looks after which alarm: what must survive a lost Redis."""

from __future__ import annotations

from monitor.errors import UserMistake
from monitor.fleet.business import Assignment, Role
from monitor.hub.books import checks
from monitor.hub.books.link import Link
from monitor.hub.books.trail import note


class Ledger:
    """Notifications and assignments."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def told_once(self, notification: str) -> bool:
        """Return `True` to exactly one caller for each id, over processes, crashes and a lost Redis.

        It is on disk before this returns. Who dies between this and saying it, never says it; where
        late is better than never, use `claim` and `settle`.

        Raises:
            StorageError: it is not known whether it was told; to be asked again.
        """
        now = self._link.clock()
        with self._link.writing() as link:
            made = link.execute(
                "INSERT OR IGNORE INTO told VALUES (?, ?, ?)", (notification, now, now)
            )
        return made.rowcount > 0

    def claim(self, notification: str, patience_s: float) -> bool:
        """Return whether the caller is to say it now and then `settle` it.

        A claim that was not settled within `patience_s` counts as its maker's death: the next caller
        gets it. So a notification is said at least once, and twice only when its maker died right
        after saying it.

        Raises:
            StorageError: it is not known whether it was told; to be asked again.
        """
        now = self._link.clock()
        with self._link.writing() as link:
            # A claim of the future was made before the clock was set back; it is as old as can be.
            made = link.execute(
                "INSERT INTO told VALUES (?1, ?2, NULL) ON CONFLICT (id) DO UPDATE "
                "SET claimed_utc_s = ?2 WHERE said_utc_s IS NULL "
                "AND (claimed_utc_s <= ?2 - ?3 OR claimed_utc_s > ?2 + ?3)",
                (notification, now, patience_s),
            )
        return made.rowcount > 0

    def settle(self, notification: str) -> None:
        """Note that a claimed notification was handed over.

        Raises:
            StorageError: it is not noted, and may be said once more.
        """
        with self._link.writing() as link:
            link.execute(
                "UPDATE told SET said_utc_s = ? WHERE id = ? AND said_utc_s IS NULL",
                (self._link.clock(), notification),
            )

    def is_told(self, notification: str) -> bool:
        """Return whether it was said; `False` too for what somebody has claimed and not said yet."""
        with self._link.reading() as link:
            row = link.execute(
                "SELECT 1 FROM told WHERE id = ? AND said_utc_s IS NOT NULL", (notification,)
            ).fetchone()
        return row is not None

    def is_claimed(self, notification: str) -> bool:
        """Return whether somebody has claimed it and not settled it yet, however long ago."""
        with self._link.reading() as link:
            row = link.execute(
                "SELECT 1 FROM told WHERE id = ? AND said_utc_s IS NULL", (notification,)
            ).fetchone()
        return row is not None

    def let_go(self, notification: str) -> None:
        """Give a claim back that could not be said, so that another may try at once."""
        with self._link.writing() as link:
            link.execute("DELETE FROM told WHERE id = ? AND said_utc_s IS NULL", (notification,))

    def forget_told(self, before_utc_s: float) -> int:
        """Drop what was claimed before a time; return how many. A later repeat would be told anew."""
        with self._link.writing() as link:
            gone = link.execute("DELETE FROM told WHERE claimed_utc_s < ?", (before_utc_s,))
        return gone.rowcount

    def assign(self, alarm: str, person: str, who: str) -> None:
        """Let a technician or owner look after an alarm, in place of whoever did.

        Raises:
            UserMistake: nobody of that id, or they are a client's.
        """
        with self._link.writing() as link:
            checks.known(link, "person", person)
            row = link.execute("SELECT role FROM people WHERE id = ?", (person,)).fetchone()
            if row[0] == Role.CLIENT:
                raise UserMistake(
                    f"person {person!r}: is a client and looks after no alarm; name a technician"
                )
            now = self._link.clock()
            link.execute(
                "INSERT OR REPLACE INTO assignments VALUES (?, ?, ?, ?)", (alarm, person, who, now)
            )
            note(link, now, who, "alarm assigned", alarm, f"to {person}")

    def unassign(self, alarm: str, who: str) -> bool:
        """Let nobody look after an alarm any more, as when it is over; return whether somebody did."""
        with self._link.writing() as link:
            gone = link.execute("DELETE FROM assignments WHERE alarm = ?", (alarm,)).rowcount > 0
            if gone:
                note(link, self._link.clock(), who, "assignment ended", alarm)
        return gone

    def assignments(self) -> list[Assignment]:
        """Return who looks after what, by alarm."""
        with self._link.reading() as link:
            rows = link.execute(
                "SELECT alarm, person, by, utc_s FROM assignments ORDER BY alarm"
            ).fetchall()
        return [Assignment(*row) for row in rows]
