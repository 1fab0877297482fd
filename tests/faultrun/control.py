"""A bare loop beside the daemon: what this machine and its disk allow anybody at this moment."""

from __future__ import annotations

import itertools
import os
import threading
import time
from pathlib import Path
from types import TracebackType

_TICK_S = 1.0
_ALLOWED_BESIDE_S = 0.5


class Control:
    """Ticks once a second and puts one line on the disk each time, as any logger would.

    Where the whole machine stands still for three seconds, the daemon is not to blame for it; where
    only the daemon does, it is.
    """

    def __init__(self, folder: Path) -> None:
        self._file = folder / "control"
        self._halt = threading.Event()
        self._ticks_s: list[float] = []
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Control:
        self._thread.start()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self._halt.set()
        if self._thread.ident is not None:
            self._thread.join(30)

    def _run(self) -> None:
        due_s = time.monotonic()
        with self._file.open("ab", buffering=0) as file:
            while not self._halt.is_set():
                self._ticks_s.append(time.monotonic())
                file.write(b"tick\n")
                os.fsync(file.fileno())
                due_s = max(due_s + _TICK_S, time.monotonic())
                self._halt.wait(max(0.0, due_s - time.monotonic()))

    @property
    def longest_gap_s(self) -> float:
        """The longest time from one tick to the next so far."""
        ticks = [*self._ticks_s, time.monotonic()]
        return max((b - a for a, b in itertools.pairwise(ticks)), default=0.0)

    @property
    def allowed_gap_s(self) -> float:
        """What a daemon beside it may take from one look to the next: half a second more."""
        return max(_TICK_S, self.longest_gap_s) + _ALLOWED_BESIDE_S
