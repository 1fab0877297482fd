"""A drip or flood contact on a pin of the header: wet, dry, or unknown.

It is asked once a second and not told of by edges: so it works on when the thread that reports edges
does not, and needs no filter against bouncing but the time for which it must stand.

A pin that cannot be claimed is no reason to leave the filters unwatched: it is told as a trouble of this
part, and tried again.
"""

from __future__ import annotations

import contextlib
from enum import StrEnum
from typing import Any

from monitor.errors import SensorError
from monitor.records import Health, Moment, Reading
from monitor.sensing.gpio import Header, pin_refused

_AGAIN_EVERY_S = 10.0

LEAK_CONTACT = "leak contact"
"""The name of this part."""


class Floor(StrEnum):
    """What the contact says."""

    WET = "wet"
    DRY = "dry"
    UNKNOWN = "unknown"  # it cannot be read, or has not stood for long enough since the start


class LeakContact:
    """The contact as a source: it gives no readings of a filter, only its state and its health.

    Args:
        pin: BCM pin number; the contact lies between it and ground.
        wet_when_closed: whether water closes the contact, or opens it.
        hold_s: for how long in s it must stand before it counts, either way; 0 or more.
        header: the header, shared with the flow sensors.
    """

    def __init__(self, pin: int, wet_when_closed: bool, hold_s: float, header: Header) -> None:
        self._number = pin
        self._closed_is = Floor.WET if wet_when_closed else Floor.DRY
        self._open_is = Floor.DRY if wet_when_closed else Floor.WET
        self._hold_s = hold_s
        self._header = header
        self._pin: Any | None = None
        self._wanted = False
        self._refused = ("its pin is not open", "run canister check")
        self._tried_s: float | None = None
        self._floor = Floor.UNKNOWN
        self._coming = Floor.UNKNOWN
        self._since_s = 0.0

    def start(self) -> None:
        """Claim the pin; where that fails it is a trouble that `health` tells, and is tried again."""
        self._wanted = True
        self._claim()

    def _claim(self) -> None:
        self._header.enter()
        try:
            self._pin = self._header.take(self._number)
        except Exception as error:  # gpiozero and lgpio raise many unrelated kinds
            self._header.leave()
            told = (
                error
                if isinstance(error, SensorError)
                else pin_refused(self._number, "of the leak contact", error)
            )
            line, _, remedy = str(told).partition("; ")
            self._refused = (f"{line}: no leak would be noticed", remedy)

    def _claim_again(self, now: Moment) -> None:
        if self._tried_s is None:
            self._tried_s = now.line_s
        if now.line_s - self._tried_s >= _AGAIN_EVERY_S:
            self._tried_s = now.line_s
            self._claim()

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """Ask the contact; return nothing: it belongs to no filter."""
        if self._wanted and self._pin is None:
            self._claim_again(now)
        seen = self._asked()
        if seen is not self._coming:
            self._coming, self._since_s = seen, now.line_s
        if seen is Floor.UNKNOWN or now.line_s - self._since_s >= self._hold_s:
            self._floor = seen
        return ()

    def floor(self) -> Floor:
        """Return what the contact says, as of the last `read`."""
        return self._floor

    def health(self, now: Moment) -> Health:
        """Say whether the contact can be read."""
        if self._pin is None:
            return Health(LEAK_CONTACT, False, *self._refused)
        if self._coming is Floor.UNKNOWN and self._asked() is Floor.UNKNOWN:
            return Health(
                LEAK_CONTACT,
                False,
                f"GPIO{self._number} cannot be read: no leak would be noticed",
                "restart canister; dmesg says why a GPIO chip is gone",
            )
        return Health(LEAK_CONTACT, True, f"GPIO{self._number}: {self._floor}")

    def close(self) -> None:
        """Give the pin back."""
        self._floor = self._coming = Floor.UNKNOWN
        self._wanted, self._tried_s = False, None
        if self._pin is None:
            return
        with contextlib.suppress(Exception):  # a chip that is gone refuses even this
            self._pin.close()
        self._pin = None
        self._header.leave()

    def _asked(self) -> Floor:
        if self._pin is None:
            return Floor.UNKNOWN
        try:
            high = bool(self._pin.state)
        except Exception:  # lgpio's own, and what gpiozero makes of a closed handle
            return Floor.UNKNOWN
        return self._open_is if high else self._closed_is
