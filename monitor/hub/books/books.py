"""All of the books behind one name."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from monitor.hub.books.ledger import Ledger
from monitor.hub.books.link import Link
from monitor.hub.books.people import Clients, People
from monitor.hub.books.sites import Filters, Sites
from monitor.hub.books.trail import Trail


class Books:
    """The books in one folder, for any number of threads and processes of one machine.

    Args:
        folder: where they are; made if need be.
        clock: UTC, seconds.

    Raises:
        StorageError: the folder cannot be used, or the books are damaged or of a newer program.
    """

    def __init__(self, folder: Path, clock: Callable[[], float] = time.time) -> None:
        self._link = Link(folder, clock)
        self.file = self._link.file
        self.clients = Clients(self._link)
        self.people = People(self._link)
        self.sites = Sites(self._link)
        self.filters = Filters(self._link)
        self.ledger = Ledger(self._link)
        self.trail = Trail(self._link)

    def copy_to(self, file: Path, who: str) -> None:
        """Write a sound copy into a new file while the books are in use; it is noted in the trail.

        Raises:
            UserMistake: the file is there.
            StorageError: it cannot be written.
        """
        self._link.copy_to(file)
        self.trail.add(who, "books copied", "books", str(file))

    def close(self) -> None:
        """Close every connection."""
        self._link.close()
