"""What the outlet's temperature says after a stop: does the water stand, or is the rotor jammed?

Still water in the outlet hose goes towards the room's temperature, and how fast is learned from stops
of this very filter; while water moves the outlet stays with the tank.
"""

from __future__ import annotations

import msgspec

from monitor.records import Cause

_LOOK_AFTER_S = 300.0
_LEARN_AT_S = 1200.0
_DECIDE_AFTER_S = 1800.0
_MOVED_C = 0.5  # eight steps of the probe: no noise, and no tank does it within minutes
_KEPT_C = 0.25
_WORTH_LEARNING_C = 0.8  # a smaller change in an earlier stop decides nothing


class Standing(msgspec.Struct, frozen=True, gc=False):
    """One stop: since when, the temperature at its beginning, and whether it has been decided."""

    since_s: float
    start_c: float | None
    decided: Cause = Cause.NONE


class Learned(msgspec.Struct, frozen=True, gc=False):
    """By how much the outlet's temperature moved within twenty minutes of earlier stops, in K."""

    moved_c: float | None = None


class Decision(msgspec.Struct, frozen=True, gc=False):
    """What the temperature decides, how sure it is (0 to 1), and the evidence in words."""

    cause: Cause
    sure: float
    evidence: str


def decide(
    standing: Standing, learned: Learned, now_c: float | None, line_s: float
) -> tuple[Standing, Learned, Decision | None]:
    """Take one look at a stop that shows no flow at all.

    Args:
        standing: the stop so far.
        learned: from earlier stops of this filter.
        now_c: the outlet's temperature, `None` if unknown.
        line_s: now.
    """
    lasted = line_s - standing.since_s
    if now_c is None or standing.start_c is None or lasted < _LOOK_AFTER_S:
        return standing, learned, None
    moved = abs(now_c - standing.start_c)
    if lasted >= _LEARN_AT_S and moved >= _MOVED_C and learned.moved_c is None:
        learned = Learned(moved)
    if standing.decided is Cause.PUMP_OR_POWER:
        return standing, learned, None
    if moved >= _MOVED_C:
        done = Standing(standing.since_s, standing.start_c, Cause.PUMP_OR_POWER)
        way = "cooled" if now_c < standing.start_c else "warmed"
        said = f"the outlet has {way} by {moved:.1f} K in {lasted / 60:.0f} min: its water stands"
        return done, learned, Decision(Cause.PUMP_OR_POWER, 0.9, said)
    earlier = learned.moved_c
    if standing.decided is not Cause.NONE:
        return standing, learned, None
    if lasted >= _DECIDE_AFTER_S and moved <= _KEPT_C and earlier and earlier >= _WORTH_LEARNING_C:
        said = (
            f"the outlet has stayed with the tank for {lasted / 60:.0f} min, though in an earlier stop "
            f"it moved by {earlier:.1f} K: water seems to flow past a jammed rotor, unless the room is "
            "as warm as the tank"
        )
        done = Standing(standing.since_s, standing.start_c, Cause.SENSOR_JAMMED)
        return done, learned, Decision(Cause.SENSOR_JAMMED, 0.75, said)
    return standing, learned, None
