"""Counts the pulses of one flow sensor from the edges that a pin reports.

`edge` runs in the pin library's only callback thread, which dies of any exception. So it does
nothing that can raise: it compares, adds and keeps the kernel's stamp. One thread writes the
counts and any thread may read them; each is a single attribute, so no lock is needed.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from monitor.records import FilterId, Moment, PulseReading, Quality

# A rate this far above the sensor's highest is no rotor: hum, or an open wire picking it up.
_FASTER_THAN_ANY_ROTOR = 2.0
# The kernel keeps so many events of a line and then drops the oldest (linux/gpio.h,
# event_buffer_size; lgpio leaves it at that).
_KERNEL_KEEPS = 16
# Magnets of a rotor are not quite alike; one pulse that is missing doubles the time between two.
_GAP = 1.6


class PulseCounter:
    """Pulses and rejected edges of one pin since the start.

    `lost` is about how many pulses the kernel dropped because nobody read them in time. lgpio hides the
    kernel's sequence numbers, so it is told from the stamps: a gap, and the first edge after it reached
    us when as many more as the kernel keeps had happened. A rotor that paused has a gap too, but then
    the next edge comes at once.

    Args:
        max_rate_hz: pulses a second at the highest flow the sensor is sold for, above 0.
        clock: gives now on the line of the kernel's stamps, in seconds.
    """

    __slots__ = (
        "__weakref__",
        "_apart_s",
        "_arrived_s",
        "_clock",
        "_full_at",
        "_last_s",
        "_missing",
        "_shortest_s",
        "count",
        "lost",
        "rejected",
    )

    def __init__(self, max_rate_hz: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.count = 0
        self.rejected = 0
        self.lost = 0
        self._last_s = float("-inf")
        self._shortest_s = 1.0 / (_FASTER_THAN_ANY_ROTOR * max_rate_hz)
        self._clock = clock
        self._apart_s = float("inf")
        self._arrived_s = 0.0
        self._missing = 0
        self._full_at = -1

    def edge(self, stamp_s: float, _state: int) -> None:
        """Take one falling edge at the kernel's time in seconds."""
        apart_s = stamp_s - self._last_s
        if apart_s < self._shortest_s:
            self.rejected += 1
            return
        self._last_s = stamp_s
        self.count += 1
        if apart_s > self._apart_s * _GAP:
            self._gap(apart_s)
        elif self.count == self._full_at and stamp_s <= self._arrived_s:
            self.lost += self._missing
        self._apart_s = apart_s

    def _gap(self, apart_s: float) -> None:
        """Note what may be missing before this edge; its 15th follower will tell."""
        self._missing = round(apart_s / self._apart_s) - 1
        self._arrived_s = self._clock()
        self._full_at = self.count + _KERNEL_KEEPS - 1


class PulseSpan:
    """Turns a counter's growing totals into one reading for the time between two looks."""

    def __init__(self, filter_id: FilterId, counter: PulseCounter) -> None:
        self.filter_id = filter_id
        self.counter = counter
        self._count = counter.count
        self._rejected = counter.rejected
        self._lost = counter.lost
        self._line_s: float | None = None

    def read(self, now: Moment, alive: bool) -> PulseReading | None:
        """Return the pulses since the last look; `None` at the first, which only marks the time.

        Args:
            now: the time of this look.
            alive: whether edges can still reach the counter; a dead counter is not a still rotor.
        """
        count, rejected, lost = self.counter.count, self.counter.rejected, self.counter.lost
        pulses, refused = count - self._count, rejected - self._rejected
        since, self._line_s = self._line_s, now.line_s
        missing, self._lost = lost - self._lost, lost
        self._count, self._rejected = count, rejected
        if since is None or now.line_s <= since:
            return None
        quality = Quality.GOOD
        if not alive:
            quality = Quality.DISCONNECTED
        elif refused > max(pulses, 1):
            quality = Quality.NOISY
        elif missing:
            quality = Quality.MISSING
        return PulseReading(self.filter_id, now.line_s - since, pulses, quality)
