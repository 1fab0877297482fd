"""When an alarm is wanted and when it is over, from one assessment.

Raise and clear thresholds lie apart by the user's margin (a deadband of 5 % for flow is the usual
capability figure, ISA-18.2 clause 10.5.5.2 as quoted in the open literature), and each has its own
delay. `None` means that this assessment says nothing: the delays stand still.
"""

from __future__ import annotations

import msgspec

from monitor.records import AlarmKind, Assessment, CleanBasis


class Limits(msgspec.Struct, frozen=True, gc=False):
    """The user's limits: shares of clean flow 0 to 1, delays in seconds."""

    cleaning_due_share: float = 0.75
    cleaning_due_hold_s: float = 3600.0
    flow_low_share: float = 0.5
    flow_low_hold_s: float = 60.0
    flow_stopped_share: float = 0.2
    flow_stopped_hold_s: float = 10.0
    flow_unknown_hold_s: float = 60.0
    clear_margin: float = 0.05
    clear_hold_s: float = 15.0
    flow_high_share: float = 1.25
    flow_high_hold_s: float = 300.0
    temperature_min_c: float | None = None
    temperature_max_c: float | None = None
    temperature_hold_s: float = 60.0
    probe_hold_s: float = 300.0
    has_probe: bool = False


# One per cent of a span of 40 °C is the usual capability for temperature (EEMUA 191 as quoted in the
# open literature): six steps of a DS18B20.
_TEMPERATURE_MARGIN_K = 0.4
_STANDSTILL_S = 600.0
_MOVES_SHARE = 0.2
_TEMPERATURE = (
    AlarmKind.TEMPERATURE_HIGH,
    AlarmKind.TEMPERATURE_LOW,
    AlarmKind.TEMPERATURE_UNKNOWN,
)


class Wish(msgspec.Struct, frozen=True, gc=False):
    """Whether the raise condition and the clear condition hold, and the delay before each.

    `latches`: once raised, it stands until a person has acknowledged it.
    """

    wanted: bool
    over: bool
    on_delay_s: float
    off_delay_s: float
    latches: bool = False


def wish(
    kind: AlarmKind, seen: Assessment, limits: Limits, stopped: bool, low: bool
) -> Wish | None:
    """Return what this assessment says about one alarm, `None` if nothing.

    `stopped` and `low` say whether those alarms stand: water that does not move tells nothing
    about the media, and one alarm for one thing is enough.
    """
    if kind is AlarmKind.FLOW_UNKNOWN:
        return Wish(
            seen.unknown_s >= limits.flow_unknown_hold_s,
            seen.unknown_s == 0.0,
            0.0,
            limits.clear_hold_s,
        )
    if kind in _TEMPERATURE:
        return _temperature_wish(kind, seen, limits, stopped)
    clean = seen.clean_m3_per_s
    if not seen.fresh:
        return None
    if clean is None or clean <= 0.0 or seen.unsure:
        return _without_clean(kind, seen, limits)
    if kind is AlarmKind.FLOW_STOPPED:
        share, hold, flow = (
            limits.flow_stopped_share,
            limits.flow_stopped_hold_s,
            seen.flow_m3_per_s,
        )
    elif seen.clean_basis is CleanBasis.PREDICTED or stopped:
        return None  # a prediction is too rough for more than "stopped"
    elif kind is AlarmKind.FLOW_HIGH:
        # Against an old clean flow after a cleaning, or one still being learned, more is no fault.
        if seen.steady_m3_per_s is None or seen.clean_basis is not CleanBasis.MEASURED:
            return None
        over = seen.steady_m3_per_s / clean - limits.flow_high_share
        below = over < -limits.clear_margin
        return Wish(over > 0.0, below, limits.flow_high_hold_s, limits.clear_hold_s)
    elif kind is AlarmKind.FLOW_LOW:
        share, hold, flow = limits.flow_low_share, limits.flow_low_hold_s, seen.steady_m3_per_s
    else:
        if low:
            return None
        share, hold, flow = (
            limits.cleaning_due_share,
            limits.cleaning_due_hold_s,
            seen.running_m3_per_s,
        )
    if flow is None:
        return None
    level = flow / clean
    return Wish(level < share, level > share + limits.clear_margin, hold, limits.clear_hold_s)


def _without_clean(kind: AlarmKind, seen: Assessment, limits: Limits) -> Wish | None:
    """With nothing to compare with, no flow at all for ten minutes is a stop all the same."""
    if kind is not AlarmKind.FLOW_STOPPED or seen.flow_m3_per_s is None:
        return None
    still = seen.flow_m3_per_s == 0.0
    return Wish(still, not still, _STANDSTILL_S, limits.clear_hold_s)


def _temperature_wish(
    kind: AlarmKind, seen: Assessment, limits: Limits, stopped: bool
) -> Wish | None:
    value = seen.temperature_c
    hold = limits.temperature_hold_s
    if kind is AlarmKind.TEMPERATURE_UNKNOWN:
        if not limits.has_probe:
            return Wish(False, True, hold, hold)  # taken away, it has nothing to say any more
        return Wish(value is None, value is not None, limits.probe_hold_s, limits.clear_hold_s)
    flow, clean = seen.flow_m3_per_s, seen.clean_m3_per_s
    if value is None or stopped or (flow is not None and clean and flow < _MOVES_SHARE * clean):
        return None  # still water in the hose shows the room, not the tank
    if kind is AlarmKind.TEMPERATURE_HIGH:
        bound = limits.temperature_max_c
        if bound is None:
            return Wish(False, True, hold, hold)
        return Wish(value > bound, value < bound - _TEMPERATURE_MARGIN_K, hold, hold)
    bound = limits.temperature_min_c
    if bound is None:
        return Wish(False, True, hold, hold)
    return Wish(value < bound, value > bound + _TEMPERATURE_MARGIN_K, hold, hold)
