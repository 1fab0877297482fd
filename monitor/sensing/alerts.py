"""Whether what lgpio hears of the pins reaches our callbacks.

lgpio reads the kernel's events in a thread of its own and writes them as reports of 16 bytes into a
pipe; one thread of Python reads the pipe and runs all callbacks. That thread ends with the first
exception, and when it hangs the pipe fills and the rest is dropped without a word. lgpio tells
neither; both can be seen from outside, by the thread and by what waits in the pipe.

Sources: lgpio 0.2.2, `lgpio._callback_thread` and src/lgPthAlerts.c (`emitNotifications`); ioctl
FIONREAD in pipe(7), F_GETPIPE_SZ in fcntl(2).
"""

from __future__ import annotations

import fcntl
import struct
import sys
import termios
from typing import Any

_REPORT_BYTES = 16
# lgpio writes up to PIPE_BUF bytes at a time and drops what finds no room for all of it.
_PIPE_BUF = 4096
# The thread takes a report within milliseconds; so long after one it hangs.
_HANGS_AFTER_S = 1.5


class Reports:
    """Looks after lgpio's thread of callbacks and its pipe."""

    def __init__(self) -> None:
        self._taken = -1
        self._moved_s = 0.0

    def trouble(self, taken: int, now_s: float) -> str:
        """Return why edges do not reach the callbacks, empty when they do.

        Args:
            taken: how many edges the callbacks have had since the start.
            now_s: time of this look, on a line that only goes forward.
        """
        thread = getattr(sys.modules.get("lgpio"), "_notify_thread", None)
        if thread is None:  # pins that do without: a mock in tests
            return ""
        if not thread.is_alive():
            return "the thread that reports edges has died"
        waiting, room = _pipe(thread)
        if waiting == 0 or taken != self._taken:
            self._taken, self._moved_s = taken, now_s
        reports = waiting // _REPORT_BYTES
        # A user with many pipes gets new ones of a single page (pipe(7)).
        if room and waiting > max(room - _PIPE_BUF, room // 2):
            return f"lgpio's pipe is full: {reports} edges wait, further ones are lost"
        if now_s - self._moved_s >= _HANGS_AFTER_S:
            return f"the thread that reports edges hangs: {reports} edges wait"
        return ""


def _pipe(thread: Any) -> tuple[int, int]:
    """Return how many bytes wait in the pipe that the thread reads, and how many it holds."""
    try:
        file = thread._file.fileno()
        answer = fcntl.ioctl(file, termios.FIONREAD, b"\0" * 4)
        return struct.unpack("i", answer)[0], fcntl.fcntl(file, fcntl.F_GETPIPE_SZ)
    except (AttributeError, OSError, ValueError):  # another lgpio, or one that is being closed
        return 0, 0
