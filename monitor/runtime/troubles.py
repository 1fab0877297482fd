"""Tells in the log which part does not do its work, once, with the remedy, and when it works again."""

from __future__ import annotations

import logging
from collections.abc import Iterable

from monitor.records import Health

_log = logging.getLogger(__name__)
_LASTING_S = 10.0


class Troubles:
    """One line when a part stops working, one when it works again.

    A part may need some seconds to begin, and a loose contact must not fill the log: a change is
    told when it has lasted.

    Args:
        lasting_s: for how long in s.
    """

    def __init__(self, lasting_s: float = _LASTING_S) -> None:
        self._lasting_s = lasting_s
        self._told: dict[str, str] = {}
        self._coming: dict[str, tuple[str, float]] = {}

    def note(self, health: Iterable[Health], line_s: float) -> None:
        """Look at the health of every part at a moment of the line of time in s."""
        for part in health:
            trouble = "" if part.working else part.line
            if trouble == self._told.get(part.part, ""):
                self._coming.pop(part.part, None)
                continue
            coming = self._coming.get(part.part)
            if coming is None or coming[0] != trouble:
                coming = self._coming[part.part] = (trouble, line_s)
            if line_s - coming[1] < self._lasting_s:
                continue
            self._told[part.part] = trouble
            if trouble:
                _log.warning("%s: %s; %s", part.part, trouble, part.remedy)
            else:
                _log.info("%s: works again: %s", part.part, part.line)
