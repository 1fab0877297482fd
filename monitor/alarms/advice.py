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
    (AlarmKind.CLEANING_DUE, Cause.AIR): (
        "Before cleaning it let the air out: look at the water level above the intake, at seals and "
        f"hose clamps, tilt the canister. {HANDS_OUT}"
    ),
    (AlarmKind.CLEANING_DUE, Cause.MEDIA_CLOGGED): (
        "Clean the filter: floss and foam first, biological media only in tank water; then run "
        f"`canister cleaned`. {HANDS_OUT}"
    ),
    (AlarmKind.CLEANING_DUE, Cause.SUDDEN_RESTRICTION): (
        "Before opening the canister look for a kinked hose, a tap half shut and a blocked intake "
        f"strainer; if all are clear, clean it. {HANDS_OUT}"
    ),
    (AlarmKind.FLOW_STOPPED, Cause.SENSOR_JAMMED): (
        "Look whether water moves at the outlet. If it does, the flow sensor's rotor is jammed: clean "
        f"the sensor, and until then watch the filter yourself. {HANDS_OUT}"
    ),
    (AlarmKind.FLOW_HIGH, Cause.HOSE_OFF): (
        "Look at once at the hose behind the sensor: off, burst or leaking? Water may be running onto "
        f"the floor and towards sockets; switch the filter off at a dry place first. {HANDS_OUT}"
    ),
    (AlarmKind.TEMPERATURE_HIGH, Cause.HEATER_OR_ROOM): (
        "Look whether the heater has stuck on and how warm the room is; unplug the heater, let it cool "
        "in the water, and cool the tank slowly. Hot glass and hot water scald."
    ),
    (AlarmKind.TEMPERATURE_LOW, Cause.HEATER_OR_ROOM): (
        "Look whether the heater works and is under water, whether the filter moves water past it, and "
        f"how cold the room is; warm the tank slowly. {HANDS_OUT}"
    ),
    (AlarmKind.TEMPERATURE_UNKNOWN, Cause.PROBE_FAULT): (
        "Measure the water by hand; then look at the probe's plug and cable with `canister check`."
    ),
    (AlarmKind.FLOW_UNKNOWN, Cause.SENSOR_WIRING): (
        "The filter may run or not: look at it. Then check the sensor's plug and cable with "
        "`canister check`."
    ),
}


def advice(kind: AlarmKind, cause: Cause) -> str:
    """Return the advice for an alarm; every pair that can be raised has one of its own."""
    return _ADVICE[kind, cause]


_CONSEQUENCE: dict[AlarmKind, str] = {
    AlarmKind.CLEANING_DUE: "Flow goes on falling; turnover and the oxygen at the media fall with it.",
    AlarmKind.FLOW_LOW: "The media get less oxygen and the tank less turnover; it may stop altogether.",
    AlarmKind.FLOW_UNKNOWN: "A stop would not be noticed until this is mended.",
    AlarmKind.FLOW_HIGH: "The tank may empty onto the floor.",
    AlarmKind.TEMPERATURE_HIGH: "Warm water holds less oxygen; animals suffer beyond their band.",
    AlarmKind.TEMPERATURE_LOW: "Animals weaken below their band; nitrification slows.",
    AlarmKind.TEMPERATURE_UNKNOWN: "Heater faults would not be noticed until this is mended.",
}


def consequence(kind: AlarmKind) -> str:
    """Return what happens if nothing is done; that of a stop depends on the filter and is not here."""
    return _CONSEQUENCE[kind]
