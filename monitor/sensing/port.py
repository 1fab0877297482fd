"""What every source of readings can do.

`read(now)` returns what was seen since the last `read`, oldest first, and never blocks; it speaks
up to `now` and no further. `health(now)` says in one line whether the source does its work.
`close()` may be called twice. A source never raises from `read`: what it cannot see it delivers
as a reading with a quality, or not at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol, runtime_checkable

from monitor.records import Health, Moment, Reading


@runtime_checkable
class Source(Protocol):
    """A source of readings."""

    def start(self) -> None:
        """Begin to watch.

        Raises:
            SensorError: the sensor cannot be used; the message names the remedy.
        """

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """Return the readings since the last call, oldest first."""

    def health(self, now: Moment) -> Health:
        """Return whether the source works."""

    def close(self) -> None:
        """Let go of everything; harmless when called again."""


@runtime_checkable
class PacedSource(Source, Protocol):
    """A source that brings its own time: a recording, or the rig at speed."""

    def moments(self) -> Iterator[Moment]:
        """Yield the moments at which there is something to read, in order, to the end."""
