"""A recording as a source: a CSV file with named columns of time, flow or pulses, temperature.

A row that cannot be read as it stands is counted and told, and never stops the replay.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import IO

import msgspec

from monitor.errors import RecordingError
from monitor.records import (
    FlowReading,
    Health,
    Moment,
    PulseReading,
    Quality,
    Reading,
    TemperatureReading,
)
from monitor.sensing.columns import Columns
from monitor.units import FLOW_UNITS_IN_M3_PER_S, celsius

# A row speaks for the time since the row before it, but for no more than so many usual intervals.
_LONGEST_SPAN_IN_INTERVALS = 5.0
_ROWS_FOR_THE_INTERVAL = 200
# A pulse count may not claim more than this for one row; such a row is set aside.
_MOST_PULSES = 10**9


class Row(msgspec.Struct, frozen=True, gc=False):
    """One row that could be read: seconds, and the fields as numbers or `None`."""

    time_s: float
    amount: float | None
    temperature_c: float | None


class Recording:
    """Replays a CSV file for one filter.

    Args:
        file: the CSV file, with a header line.
        columns: which column holds what, in which unit.
        filter_id: the filter the readings are given to.
    """

    def __init__(self, file: Path, columns: Columns, filter_id: str) -> None:
        self.file = file
        self.columns = columns
        self.filter_id = filter_id
        self.set_aside: Counter[str] = Counter()
        self.rows = 0
        self.calendar = False
        self.first_s: float | None = None
        self._pending: list[Reading] = []
        self._stream: IO[str] | None = None
        self._flow_factor = FLOW_UNITS_IN_M3_PER_S.get(columns.flow_unit, 0.0)

    def start(self) -> None:
        """Open the file.

        Raises:
            RecordingError: it cannot be opened.
        """
        if self._stream is None:
            self._stream = self._open()

    def _open(self) -> IO[str]:
        try:
            return self.file.open(encoding="utf-8-sig", newline="", errors="replace")
        except OSError as error:
            raise RecordingError(
                f"{self.file}: cannot be read: {error.strerror}; name a CSV file"
            ) from error

    def moments(self) -> Iterator[Moment]:
        """Yield the time of each good row; `read` then returns that row's readings.

        Raises:
            RecordingError: the file cannot be read or lacks a column.
        """
        self.start()
        stream = self._stream
        if stream is None:
            return
        stream.seek(0)
        limit = self._longest_span()
        stream.seek(0)
        self.rows, self.first_s = 0, None
        previous: float | None = None
        for row in self._parsed(stream):
            if previous is not None and row.time_s <= previous:
                self.set_aside[
                    "time repeats" if row.time_s == previous else "time runs backwards"
                ] += 1
                continue
            usual = limit / _LONGEST_SPAN_IN_INTERVALS
            span = usual if previous is None else min(row.time_s - previous, limit)
            previous = row.time_s
            if self.first_s is None:
                self.first_s = row.time_s
            self.rows += 1
            self._pending += self._readings(row, span)
            yield Moment(row.time_s, row.time_s)

    def _readings(self, row: Row, span_s: float) -> list[Reading]:
        found: list[Reading] = []
        if self.columns.pulses is not None:
            if row.amount is None or not 0 <= row.amount <= _MOST_PULSES:
                found.append(PulseReading(self.filter_id, span_s, 0, Quality.MISSING))
            else:
                found.append(PulseReading(self.filter_id, span_s, round(row.amount)))
        elif row.amount is None:
            found.append(FlowReading(self.filter_id, span_s, None, Quality.MISSING))
        else:
            found.append(FlowReading(self.filter_id, span_s, row.amount * self._flow_factor))
        if self.columns.temperature is not None:
            quality = Quality.MISSING if row.temperature_c is None else Quality.GOOD
            found.append(TemperatureReading(self.filter_id, row.temperature_c, quality))
        return found

    def _longest_span(self) -> float:
        times = []
        for row in self._parsed(self._stream or iter(())):
            times.append(row.time_s)
            if len(times) >= _ROWS_FOR_THE_INTERVAL:
                break
        self.set_aside.clear()
        steps = [b - a for a, b in itertools.pairwise(times) if b > a]
        if not steps:
            raise RecordingError(
                f"{self.file}: fewer than two rows with rising times in column "
                f"{self.columns.time}; nothing can be replayed"
            )
        return _LONGEST_SPAN_IN_INTERVALS * median(steps)

    def _parsed(self, stream: Iterator[str]) -> Iterator[Row]:
        reader = csv.reader(stream)
        try:
            header = [name.strip() for name in next(reader)]
            where = self.columns.places(header, self.file)
            yield from self._rows(reader, *where)
        except StopIteration:
            raise RecordingError(f"{self.file}: is empty; name a CSV file with a header") from None
        except csv.Error as error:
            raise RecordingError(
                f"{self.file}: line {reader.line_num}: not CSV: {error}"
            ) from error

    def _rows(
        self, reader: Iterator[list[str]], time_at: int, amount_at: int, temperature_at: int | None
    ) -> Iterator[Row]:
        unit = self.columns.temperature_unit
        for fields in reader:
            if not fields:
                continue
            try:
                time_s = self._time(fields[time_at])
                amount = _number(fields[amount_at])
                warmth = None if temperature_at is None else _number(fields[temperature_at])
            except IndexError:
                self.set_aside["too few fields"] += 1
                continue
            if time_s is None:
                self.set_aside["time not readable"] += 1
                continue
            if warmth is not None and unit != "degC":
                warmth = celsius(warmth, unit)
                warmth = warmth if math.isfinite(warmth) else None
            yield Row(time_s, amount, warmth)

    def _time(self, text: str) -> float | None:
        try:
            value = float(text)
        except ValueError:
            pass
        else:
            return value if math.isfinite(value) else None
        try:
            stamp = datetime.fromisoformat(text.strip())
        except ValueError:
            return None
        self.calendar = True
        if stamp.tzinfo is None:
            stamp = stamp.replace(tzinfo=UTC)
        return stamp.timestamp()

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """Return the readings of the row last yielded by `moments`."""
        pending, self._pending = tuple(self._pending), []
        return pending

    def health(self, now: Moment) -> Health:
        """Say how many rows were read and how many were set aside, and why."""
        if not self.set_aside:
            return Health(f"recording {self.file.name}", True, f"{self.rows} rows read")
        why = ", ".join(f"{n} × {what}" for what, n in self.set_aside.most_common())
        return Health(
            f"recording {self.file.name}",
            self.rows > 0,
            f"{self.rows} rows read, {sum(self.set_aside.values())} set aside: {why}",
            "look at these rows if their number surprises you",
        )

    def close(self) -> None:
        """Close the file."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
