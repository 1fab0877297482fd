"""Once the clock is known, what was recorded before gets its right time."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

from monitor.errors import StorageError
from monitor.journal.store import Journal
from monitor.records import Moment

_log = logging.getLogger(__name__)
LOOK_EVERY_S = 60.0


class RightTimes:
    """Looks whether the clock has become right, and then at what is on record.

    The clock of a board that is long without a network counts as wrong again after some hours, so this
    may come more than once in a run.

    Args:
        journal: what is set right.
        clock: gives this moment.
        filters: whose samples.
        began: the first moment of the run; what is older is of a run of which nobody knows the times.
        late_s: samples are written so much later than they were taken.
    """

    def __init__(
        self,
        journal: Journal,
        clock: Callable[[], Moment],
        filters: Sequence[str],
        began: Moment,
        late_s: float,
    ) -> None:
        self._journal = journal
        self._clock = clock
        self._filters = tuple(filters)
        self._since_s = began.line_s
        self._late_s = late_s
        self._until_s: float | None = None if began.synchronised else float("inf")

    def look(self) -> None:
        """Set right what there is to be set right; run by a chore."""
        now = self._clock()
        if not now.synchronised:
            self._until_s = float("inf")
            return
        if self._until_s is None:
            return
        try:
            count = self._journal.set_right(now, self._since_s, self._filters)
        except StorageError as error:
            _log.debug("%s; records of before the clock was set wait for their times", error)
            return
        if count:
            _log.info("the clock is right now; %d records of before have got their time", count)
        # Those that wait in memory come a little later.
        self._until_s = min(self._until_s, now.line_s + self._late_s + LOOK_EVERY_S)
        if now.line_s >= self._until_s:
            self._until_s = None
