"""Faults that the rig can be asked for, by name and time: `stall@34d6h+90m`.

Times run from the start of the rehearsal: `34d6h`, `34.5d`, `90m`, `20s`. What follows `+` is how
long the fault lasts; without it, to the end.
"""

from __future__ import annotations

import math
import re
from enum import StrEnum

import msgspec

from monitor.errors import UserMistake

_SECONDS = {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}
_TIME = re.compile(r"(?:\d+(?:\.\d+)?[dhms])+")
_PART = re.compile(r"(\d+(?:\.\d+)?)([dhms])")


class FaultName(StrEnum):
    """What can go wrong in the rig."""

    STALL = "stall"  # the pump stops, everything else goes on
    POWER_CUT = "power-cut"  # pump and heater stop
    KINK = "kink"  # the flow is throttled at once to about a third
    BLOCKED = "blocked"  # a trickle is left
    AIR = "air"  # flow drops and swings
    JAMMED_SENSOR = "jammed-sensor"  # water flows, the rotor stands still
    NOISY_WIRE = "noisy-wire"  # far more edges than a rotor makes, on an open wire
    MAINS_HUM = "mains-hum"  # fifty edges a second on an open wire, which look like a flow
    HOSE_OFF = "hose-off"  # part of the circuit is gone: flow above clean
    HEATER_ON = "heater-on"  # the heater never switches off
    HEATER_OFF = "heater-off"  # the heater never switches on
    PROBE_GONE = "probe-gone"


class Fault(msgspec.Struct, frozen=True):
    """One fault from `start_s` up to, not including, `end_s`."""

    name: FaultName
    start_s: float
    end_s: float = math.inf

    def at(self, time_s: float) -> bool:
        """Return whether the fault is there at a time of the rehearsal."""
        return self.start_s <= time_s < self.end_s


def parse_fault(text: str) -> Fault:
    """Return the fault that a text such as `stall@34d6h+90m` names.

    Raises:
        UserMistake: the text is not of that form.
    """
    name, at, when = text.partition("@")
    if name not in set(FaultName):
        raise UserMistake(
            f'fault "{text}": unknown name {name}; expected one of {", ".join(FaultName)}'
        )
    start, plus, length = when.partition("+")
    if not at or not _TIME.fullmatch(start) or (plus and not _TIME.fullmatch(length)):
        raise UserMistake(
            f'fault "{text}": expected NAME@START or NAME@START+LENGTH, such as stall@34d6h+90m'
        )
    start_s = _duration_s(start)
    return Fault(FaultName(name), start_s, start_s + _duration_s(length) if plus else math.inf)


def _duration_s(text: str) -> float:
    return sum(float(number) * _SECONDS[unit] for number, unit in _PART.findall(text))
