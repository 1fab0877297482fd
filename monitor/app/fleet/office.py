"""Opens what the commands of a hub work on."""

from __future__ import annotations

from pathlib import Path

from monitor.app.fleet.enrolment import Desk
from monitor.hub.books.books import Books
from monitor.settings.fleet import load_fleet


class Office:
    """The configuration, the books and the enrolment of a hub.

    Args:
        config: the configuration's file, `None` for the usual one.
        who: works here, for the trail.

    Raises:
        SettingsError: the configuration cannot be used.
        StorageError: the books cannot be opened.
    """

    def __init__(self, config: Path | None, who: str) -> None:
        self.tree, self.file = load_fleet(config)
        self.who = who
        self.books = Books(Path(self.tree.books.folder))
        self.desk = Desk(self.tree, self.books, who)

    def close(self) -> None:
        """Close the books."""
        self.books.close()
