"""How the people of a business are reached: apprise addresses, and hours in which what can wait, waits."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime, time

from monitor.app.outlet import addresses_of
from monitor.delivery.notify import by_apprise
from monitor.delivery.quiet import QuietHours
from monitor.errors import MachineError
from monitor.fleet.notices import Note, Notice
from monitor.settings.outward import NotifySettings

_log = logging.getLogger(__name__)


class Reach:
    """Hands messages to every address.

    Raises:
        SettingsError: the addresses cannot be read.
        MachineError: one of them is of no kind that is known.
    """

    def __init__(self, settings: NotifySettings) -> None:
        self._ways: list[tuple[str, Callable[[str, str], bool]]] = [
            (address.name, by_apprise(address.text)) for address in addresses_of(settings)
        ]
        self._hours: QuietHours | None = None
        if settings.quiet_from:
            begin, end = (time.fromisoformat(t) for t in (settings.quiet_from, settings.quiet_to))
            self._hours = QuietHours(begin, end)

    def waits(self, note: Note) -> bool:
        """Return whether a note waits for the end of the quiet hours; what is urgent never does."""
        if self._hours is None or note.priority == "high":
            return False
        return self._hours.at(datetime.now().astimezone().time())

    def tell(self, notice: Notice) -> None:
        """Hand over one message.

        An address that does not take it holds up no other; that it did not is on the log.

        Raises:
            MachineError: nobody took it.
        """
        failed = [name for name, way in self._ways if not way(notice.title, notice.body)]
        if len(failed) == len(self._ways):
            raise MachineError(
                f"{', '.join(failed)}: took no message; look at the network and at notify.addresses_file"
            )
        for name in failed:
            _log.warning("%s: its address did not take a message of %s", name, notice.site)
