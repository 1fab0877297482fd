"""Who is told by messages: the lists of addresses are read again while the daemon runs."""

from __future__ import annotations

import logging

from monitor.app.outlet import Outlet, addresses_of, notify_sinks
from monitor.errors import SettingsError, StorageError
from monitor.journal.store import Journal
from monitor.settings.model import SettingsTree

_log = logging.getLogger(__name__)
LOOK_EVERY_S = 60.0


class People:
    """Takes up a changed list of addresses; a list that cannot be read leaves everything as it was.

    Args:
        tree: the configuration.
        journal: where each address has its cursor.
        outlet: what serves them.
    """

    def __init__(self, tree: SettingsTree, journal: Journal, outlet: Outlet) -> None:
        self._tree = tree
        self._journal = journal
        self._outlet = outlet
        self._known = addresses_of(tree.notify)
        self._trouble = ""

    def look(self) -> None:
        """Read the lists, and serve what they say now; run by a chore."""
        try:
            found = addresses_of(self._tree.notify)
            if found == self._known:
                self._trouble = ""
                return
            fresh = notify_sinks(self._tree, self._journal)
        except (SettingsError, StorageError) as error:
            if not self._trouble:
                _log.warning("%s; messages go where they went before", error)
            self._trouble = str(error)
            return
        # All of them anew: whether there is a second channel matters to the first.
        self._outlet.replace([address.name for address in self._known], fresh)
        self._known, self._trouble = found, ""
        _log.info("messages go to %d addresses from now on", len(found))
