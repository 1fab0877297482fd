"""What a person should do, by alarm and cause: short, in order, with the cautions in it."""

from __future__ import annotations

from monitor.records import AlarmKind, Cause

HANDS_OUT = "Switch off and unplug before hands go into the water."

# Common practice, no source: stale, oxygen-free water of a long stop must not reach the tank.
_AFTER_LONG_STOP = (
    "If it has stood for more than about an hour, rinse the canister before restarting: its water "
    "may be out of oxygen."
)

_ADVICE: dict[tuple[AlarmKind, Cause], str] = {
    (AlarmKind.FLOW_STOPPED, Cause.PUMP_OR_POWER): (
        "Look whether the pump has power and whether its impeller turns; then look at the sensor's "
        f"plug. {HANDS_OUT} Heaters in the filter's line may run dry: switch them off. "
        f"{_AFTER_LONG_STOP}"
    ),
    (AlarmKind.FLOW_STOPPED, Cause.BLOCKED): (
        "Look for a kinked hose, a tap left shut, a blocked intake strainer or air in the canister. "
        f"{HANDS_OUT} {_AFTER_LONG_STOP}"
    ),
    (AlarmKind.FLOW_LOW, Cause.AIR): (
        "Air is in the water: look at the water level above the intake, at seals and hose clamps; "
        f"tilt the canister to let air out. {HANDS_OUT}"
    ),
    (AlarmKind.FLOW_LOW, Cause.SUDDEN_RESTRICTION): (
        "Something closed at once: look for a kinked hose, a tap half shut, a leaf or a fish on the "
        f"intake strainer. {HANDS_OUT}"
    ),
    (AlarmKind.FLOW_LOW, Cause.MEDIA_CLOGGED): (
        f"Clean the filter today: floss and foam first, biological media only in tank water. {HANDS_OUT}"
    ),
    (AlarmKind.CLEANING_DUE, Cause.MEDIA_CLOGGED): (
        "Clean the filter: floss and foam first, biological media only in tank water; then run "
        f"`canister cleaned`. {HANDS_OUT}"
    ),
    (AlarmKind.CLEANING_DUE, Cause.SUDDEN_RESTRICTION): (
        "Before opening the canister look for a kinked hose, a tap half shut and a blocked intake "
        f"strainer; if all are clear, clean it. {HANDS_OUT}"
    ),
    (AlarmKind.FLOW_UNKNOWN, Cause.SENSOR_WIRING): (
        "The filter may run or not: look at it. Then check the sensor's plug and cable with "
        "`canister check`."
    ),
}


def advice(kind: AlarmKind, cause: Cause) -> str:
    """Return the advice for an alarm; every pair that can be raised has one of its own."""
    return _ADVICE[kind, cause]
