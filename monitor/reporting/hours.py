"""Readings added up hour by hour, so that a report of any length needs one pass and little memory.

A row speaks for the time until the next one, but for no longer than it was meant to; a row in which only
a part of the readings could be trusted, for that part. Time that no trusted reading covers is unknown.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from monitor.records import MinuteRow

HOUR_S = 3600.0
_DAY_HOURS = 24


class Span(msgspec.Struct, frozen=True):
    """A span of the wall clock, start <= t < end."""

    start_utc_s: float
    end_utc_s: float


class Day(msgspec.Struct, frozen=True):
    """One calendar day of a span, as its people count days: what it is called, where it begins and ends."""

    name: str
    start_utc_s: float
    end_utc_s: float


class Sums(msgspec.Struct):
    """What an hour, a day or a whole span adds up to; flows in m³/s, temperatures in °C.

    `known_s` is time with a trusted flow, `running_s` the part of it with water moving, `moved_m3` the
    water of all of it and `running_m3` of that part. `clean_m3_per_s` is the last that was known, `share_s`
    the sum of running share of clean flow times seconds over `judged_s`, the running time with a clean flow known. `warm_s` is time
    with a trusted temperature of water that is not known to stand, `warm_sum` temperature times seconds. `in_band_s` is the part of it within the user's band.
    `unsure_s` is time while the clock was not right.
    """

    known_s: float = 0.0
    running_s: float = 0.0
    moved_m3: float = 0.0
    running_m3: float = 0.0
    clean_m3_per_s: float | None = None
    share_s: float = 0.0
    judged_s: float = 0.0
    warm_s: float = 0.0
    warm_sum: float = 0.0
    coldest_c: float | None = None
    warmest_c: float | None = None
    in_band_s: float = 0.0
    unsure_s: float = 0.0

    @property
    def running_m3_per_s(self) -> float | None:
        """Mean flow while water moved, `None` without such time."""
        return self.running_m3 / self.running_s if self.running_s else None

    @property
    def flow_m3_per_s(self) -> float | None:
        """Mean flow over all known time, standstill counted as zero; `None` without known time."""
        return self.moved_m3 / self.known_s if self.known_s else None

    @property
    def share(self) -> float | None:
        """Mean share of clean flow while water moved, `None` where clean flow was not known."""
        return self.share_s / self.judged_s if self.judged_s else None

    @property
    def standing_s(self) -> float:
        """Known time without water moving."""
        return self.known_s - self.running_s

    @property
    def mean_c(self) -> float | None:
        """Mean temperature, `None` where none was known."""
        return self.warm_sum / self.warm_s if self.warm_s else None


class Band(msgspec.Struct, frozen=True):
    """The temperatures that a tank is to have; `None` for no limit."""

    min_c: float | None = None
    max_c: float | None = None

    def holds(self, temperature_c: float) -> bool:
        """Return whether a temperature is within."""
        above = self.min_c is None or temperature_c >= self.min_c
        return above and (self.max_c is None or temperature_c <= self.max_c)


class Fold:
    """Takes the rows of one filter in their order and adds them up by the hour.

    Args:
        span: rows outside it are passed over.
        every_s: how long a row is meant to speak for.
        standing_share: below this share of clean flow water is taken to stand.
        band: the tank's.
    """

    def __init__(self, span: Span, every_s: float, standing_share: float, band: Band) -> None:
        self.span = span
        count = int(-(-(span.end_utc_s - span.start_utc_s) // HOUR_S))
        self.hours = [Sums() for _ in range(count)]
        self._every_s, self._standing, self._band = every_s, standing_share, band
        self._last: MinuteRow | None = None
        self.known_until_utc_s: float | None = None  # the end of the last row within the span

    def take(self, row: MinuteRow) -> None:
        """Take the next row."""
        if self._last is not None:
            lasted_s = row.utc_s - self._last.utc_s
            self._add(self._last, min(self._every_s, lasted_s) if lasted_s > 0 else self._every_s)
        self._last = row

    def finished(self) -> list[Sums]:
        """Return the hours once every row was taken."""
        if self._last is not None:
            self._add(self._last, self._every_s)
            self._last = None
        return self.hours

    def _add(self, row: MinuteRow, lasted_s: float) -> None:
        if not self.span.start_utc_s <= row.utc_s < self.span.end_utc_s or row.samples <= 0:
            return
        lasted_s = min(lasted_s, self.span.end_utc_s - row.utc_s)
        self.known_until_utc_s = row.utc_s + lasted_s
        hour = self.hours[int((row.utc_s - self.span.start_utc_s) // HOUR_S)]
        if not row.synchronised:
            hour.unsure_s += lasted_s
        flow, clean = row.flow_m3_per_s, row.clean_m3_per_s
        if clean is not None:
            hour.clean_m3_per_s = clean
        if flow is not None:
            known_s = lasted_s * row.flow_samples / row.samples
            hour.known_s += known_s
            hour.moved_m3 += flow * known_s
            if flow > self._standing * (clean or 0.0):
                hour.running_s += known_s
                hour.running_m3 += flow * known_s
                if clean:
                    hour.share_s += flow / clean * known_s
                    hour.judged_s += known_s
        # Water that stands in the outlet takes the room's temperature and says nothing of the tank's.
        stands = flow is not None and flow <= self._standing * (clean or 0.0)
        if row.temperature_c is not None and not stands:
            self._warm(hour, row.temperature_c, lasted_s * row.temperature_samples / row.samples)

    def _warm(self, hour: Sums, warm_c: float, lasted_s: float) -> None:
        hour.warm_s += lasted_s
        hour.warm_sum += warm_c * lasted_s
        hour.coldest_c = warm_c if hour.coldest_c is None else min(hour.coldest_c, warm_c)
        hour.warmest_c = warm_c if hour.warmest_c is None else max(hour.warmest_c, warm_c)
        if self._band.holds(warm_c):
            hour.in_band_s += lasted_s


def total(parts: Sequence[Sums]) -> Sums:
    """Return what sums add up to, in their order."""
    whole = Sums()
    for part in parts:
        for name in ("known_s", "running_s", "moved_m3", "running_m3", "share_s", "judged_s", "warm_s",
                     "warm_sum", "in_band_s", "unsure_s"):  # fmt: skip
            setattr(whole, name, getattr(whole, name) + getattr(part, name))
        whole.clean_m3_per_s = part.clean_m3_per_s or whole.clean_m3_per_s
        cold = [c for c in (whole.coldest_c, part.coldest_c) if c is not None]
        warm = [c for c in (whole.warmest_c, part.warmest_c) if c is not None]
        whole.coldest_c, whole.warmest_c = min(cold, default=None), max(warm, default=None)
    return whole


def of_day(hours: Sequence[Sums], span: Span, day: Day) -> Sums:
    """Return the sums of a day, from the hours that begin in it."""
    first = int(-(-(day.start_utc_s - span.start_utc_s) // HOUR_S))
    last = int(-(-(day.end_utc_s - span.start_utc_s) // HOUR_S))
    return total(hours[max(0, first) : max(0, last)])


def day_before(hours: Sequence[Sums], span: Span, utc_s: float) -> Sums:
    """Return the sums of the 24 whole hours before the one that holds a moment."""
    place = int((utc_s - span.start_utc_s) // HOUR_S)
    return total(hours[max(0, place - _DAY_HOURS) : max(0, place)])
