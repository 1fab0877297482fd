"""How often something may be tried. Pure; time is an argument."""

from __future__ import annotations

import math
from collections import OrderedDict, deque

_MOST_NAMES = 2000


class Limiter:
    """So many tries in so long, for each name; the oldest names are forgotten, never the newest."""

    def __init__(self, tries: int, in_s: float) -> None:
        self._tries, self._in_s = tries, in_s
        self._of: OrderedDict[str, deque[float]] = OrderedDict()

    def wait_s(self, name: str, now_s: float) -> int:
        """Return how many whole seconds to wait before the next try; 0 for none."""
        tried = self._of.get(name)
        if tried is None:
            return 0
        while tried and now_s - tried[0] >= self._in_s:
            tried.popleft()
        if len(tried) < self._tries:
            return 0
        return max(1, math.ceil(self._in_s - (now_s - tried[0])))

    def note(self, name: str, now_s: float) -> None:
        """Count a try."""
        tried = self._of.setdefault(name, deque(maxlen=self._tries))
        tried.append(now_s)
        self._of.move_to_end(name)
        while len(self._of) > _MOST_NAMES:
            self._of.popitem(last=False)

    def forget(self, name: str) -> None:
        """Let a name begin anew."""
        self._of.pop(name, None)
