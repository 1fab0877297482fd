"""Which column of a recording holds what, and in which unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import msgspec

from monitor.errors import RecordingError
from monitor.units import FLOW_UNITS_IN_M3_PER_S, TEMPERATURE_UNITS

# A unit written into a column's name, as in flow_l_per_h or T104_C; longest first.
_FLOW_SUFFIXES = (
    (("m3_per_s", "m3_s"), "m3/s"),
    (("m3_per_h", "m3_h"), "m3/h"),
    (("l_per_h", "lph", "l_h"), "L/h"),
    (("l_per_min", "lpm", "l_min"), "L/min"),
    (("l_per_s", "lps", "l_s"), "L/s"),
    (("kg_per_s", "kg_s"), "kg/s"),
    (("kg_per_h", "kg_h"), "kg/h"),
    (("gal_per_min", "gpm", "gal_min"), "gal/min"),
    (("gal_per_h", "gph", "gal_h"), "gal/h"),
)
_TEMPERATURE_SUFFIXES = ((("degc", "celsius", "c"), "degC"), (("degf", "f"), "degF"), (("k",), "K"))
_TIME_NAMES = ("time", "datetime", "timestamp", "date_time", "t_s", "time_s", "seconds", "t")
_PULSE_NAMES = ("pulses", "pulse_count", "counts")


class Columns(msgspec.Struct, frozen=True):
    """Names of the columns; one of `flow` and `pulses` is set. Pulses are counts since the row
    before. Units are those of `FLOW_UNITS_IN_M3_PER_S` and `TEMPERATURE_UNITS`."""

    time: str
    flow: str | None
    flow_unit: str
    pulses: str | None
    temperature: str | None
    temperature_unit: str

    def places(self, header: Sequence[str], file: Path) -> tuple[int, int, int | None]:
        """Return the positions of time, flow or pulses, and temperature in a header.

        Raises:
            RecordingError: a column is not there.
        """
        amount = self.flow if self.flow is not None else self.pulses
        wanted = [self.time, str(amount), *([self.temperature] if self.temperature else [])]
        for name in wanted:
            if name not in header:
                raise RecordingError(f"{file}: no column {name}; its columns are {_named(header)}")
        at = header.index
        return at(self.time), at(str(amount)), at(self.temperature) if self.temperature else None


def choose(
    header: Sequence[str],
    file: Path,
    time: str | None = None,
    flow: str | None = None,
    flow_unit: str | None = None,
    pulses: str | None = None,
    temperature: str | None = None,
    temperature_unit: str | None = None,
) -> Columns:
    """Return the columns asked for, filling in what the names in the header make plain.

    Raises:
        RecordingError: a name is missing or unknown, or it is not plain which column is meant.
    """
    if flow is not None and pulses is not None:
        raise RecordingError(f"{file}: give either --flow or --pulses, not both")
    time = time or _only(header, file, "--time", [n for n in header if n.lower() in _TIME_NAMES])
    if flow is None and pulses is None:
        flow, pulses = _amount(header, file)
    for name in (time, flow, pulses, temperature):
        if name is not None and name not in header:
            raise RecordingError(f"{file}: no column {name}; its columns are {_named(header)}")
    if temperature is None:
        warm = [n for n in header if _temperature_unit(n) and "temp" in n.lower()]
        temperature = warm[0] if len(warm) == 1 else None
    columns = Columns(
        time,
        flow,
        _checked_flow_unit(flow, flow_unit, file) if flow is not None else "",
        pulses,
        temperature,
        temperature_unit or (_temperature_unit(temperature) if temperature else None) or "degC",
    )
    if columns.temperature_unit not in TEMPERATURE_UNITS:
        raise RecordingError(
            f"--temperature-unit {columns.temperature_unit}: expected one of "
            + ", ".join(TEMPERATURE_UNITS)
        )
    return columns


def _amount(header: Sequence[str], file: Path) -> tuple[str | None, str | None]:
    counted = [n for n in header if n.lower() in _PULSE_NAMES]
    if len(counted) == 1:
        return None, counted[0]
    flows = [n for n in header if _flow_unit(n)] or [n for n in header if "flow" in n.lower()]
    return _only(header, file, "--flow or --pulses", flows), None


def _only(header: Sequence[str], file: Path, option: str, found: Sequence[str]) -> str:
    if len(found) == 1:
        return found[0]
    said = f"could be {' or '.join(found)}" if found else f"its columns are {_named(header)}"
    raise RecordingError(f"{file}: name the column with {option}: {said}")


def _checked_flow_unit(flow: str, unit: str | None, file: Path) -> str:
    found = unit or _flow_unit(flow)
    if found is None:
        raise RecordingError(
            f"{file}: unit of column {flow} is not plain from its name; give --flow-unit, one of "
            + ", ".join(FLOW_UNITS_IN_M3_PER_S)
        )
    if found not in FLOW_UNITS_IN_M3_PER_S:
        raise RecordingError(
            f"--flow-unit {found}: expected one of {', '.join(FLOW_UNITS_IN_M3_PER_S)}"
        )
    return found


def _flow_unit(name: str) -> str | None:
    return _suffix(name, _FLOW_SUFFIXES)


def _temperature_unit(name: str) -> str | None:
    return _suffix(name, _TEMPERATURE_SUFFIXES)


def _named(header: Sequence[str]) -> str:
    """The columns on one line, also where their names hold breaks or control characters."""
    plain = (" ".join(name.split()) for name in header)
    return ", ".join("".join(c if c.isprintable() else "?" for c in name) for name in plain)


def _suffix(name: str, known: Sequence[tuple[Sequence[str], str]]) -> str | None:
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    for endings, unit in known:
        if any(plain.endswith("_" + ending) for ending in endings):
            return unit
    return None
