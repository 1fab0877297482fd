"""Tells the service manager that work was done; silence makes it restart the daemon.

The notification is one datagram to the socket that systemd names (sd_notify(3)); without one,
nothing is sent.
"""

from __future__ import annotations

import os
import socket
import time


class Watchdog:
    """Fed only when every loop has made progress lately.

    Args:
        loops: for each loop the longest time in seconds that it may be silent.
    """

    def __init__(self, loops: dict[str, float]) -> None:
        self._allowed = dict(loops)
        now = time.monotonic()
        self._last = dict.fromkeys(loops, now)
        self._address = os.environ.get("NOTIFY_SOCKET", "")

    def progress(self, loop: str) -> None:
        """Note that a loop has done work.

        Raises:
            KeyError: the loop was not announced.
        """
        if loop not in self._allowed:
            raise KeyError(loop)
        self._last[loop] = time.monotonic()

    def add(self, loop: str, silence_s: float) -> None:
        """Announce one more loop; it has made progress now."""
        # Others read these at any time: a new dictionary in one move, never a change of the old one.
        self._allowed = {**self._allowed, loop: silence_s}
        self._last = {**self._last, loop: time.monotonic()}

    def drop(self, loop: str) -> None:
        """Expect nothing more of a loop."""
        self._last = {name: at for name, at in self._last.items() if name != loop}
        self._allowed = {name: s for name, s in self._allowed.items() if name != loop}

    def stalled(self) -> list[str]:
        """Return the loops that have been silent for too long."""
        now = time.monotonic()
        return [name for name, at in self._last.items() if now - at > self._allowed.get(name, now)]

    def feed(self) -> None:
        """Tell the service manager that all is well, if it is."""
        if self._address and not self.stalled():
            self.say("WATCHDOG=1")

    def say(self, text: str) -> None:
        """Send one notification; a manager that does not listen is no reason to stop."""
        if not self._address:
            return
        name = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
                link.setblocking(False)  # a manager that does not read must not hold us up
                link.sendto(text.encode(), name)
        except OSError:
            return
