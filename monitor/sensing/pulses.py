"""Counts the pulses of one flow sensor from the edges that a pin reports.

`edge` runs in the pin library's only callback thread, which dies of any exception. So it does
nothing that can raise: it compares, adds and keeps the kernel's stamp. One thread writes the
counts and any thread may read them; each is a single attribute, so no lock is needed.
"""

from __future__ import annotations

from monitor.records import FilterId, Moment, PulseReading, Quality

# A rate this far above the sensor's highest is no rotor: hum, or an open wire picking it up.
_FASTER_THAN_ANY_ROTOR = 2.0


class PulseCounter:
    """Pulses and rejected edges of one pin since the start.

    Args:
        max_rate_hz: pulses a second at the highest flow the sensor is sold for, above 0.
    """

    __slots__ = ("__weakref__", "_last_s", "_shortest_s", "count", "rejected")

    def __init__(self, max_rate_hz: float) -> None:
        self.count = 0
        self.rejected = 0
        self._last_s = float("-inf")
        self._shortest_s = 1.0 / (_FASTER_THAN_ANY_ROTOR * max_rate_hz)

    def edge(self, stamp_s: float, _state: int) -> None:
        """Take one falling edge at the kernel's time in seconds."""
        if stamp_s - self._last_s < self._shortest_s:
            self.rejected += 1
            return
        self._last_s = stamp_s
        self.count += 1


class PulseSpan:
    """Turns a counter's growing totals into one reading for the time between two looks."""

    def __init__(self, filter_id: FilterId, counter: PulseCounter) -> None:
        self.filter_id = filter_id
        self.counter = counter
        self._count = counter.count
        self._rejected = counter.rejected
        self._line_s: float | None = None

    def read(self, now: Moment, alive: bool) -> PulseReading | None:
        """Return the pulses since the last look; `None` at the first, which only marks the time.

        Args:
            now: the time of this look.
            alive: whether edges can still reach the counter; a dead counter is not a still rotor.
        """
        count, rejected = self.counter.count, self.counter.rejected
        pulses, refused = count - self._count, rejected - self._rejected
        since, self._line_s = self._line_s, now.line_s
        self._count, self._rejected = count, rejected
        if since is None or now.line_s <= since:
            return None
        quality = Quality.GOOD
        if not alive:
            quality = Quality.DISCONNECTED
        elif refused > max(pulses, 1):
            quality = Quality.NOISY
        return PulseReading(self.filter_id, now.line_s - since, pulses, quality)
