"""What a person should do, by alarm and cause: short, in order, with the cautions in it."""

from __future__ import annotations

from monitor.records import AlarmKind, Cause

HANDS_OUT = "Switch off and unplug, with dry hands, before hands go into the water."

_ADVICE: dict[tuple[AlarmKind, Cause], str] = {
    (AlarmKind.FLOW_STOPPED, Cause.PUMP_OR_POWER): (
        "Switch off heaters in the filter's line, they may run dry. Look for water on the floor from a "
        "hose that is off. Look whether the pump has power. "
        f"{HANDS_OUT} Then look at the impeller and at the sensor's plug."
    ),
    (AlarmKind.FLOW_STOPPED, Cause.BLOCKED): (
        "Switch off heaters in the filter's line. Look for water on the floor from a hose that is off, and do not step into it near sockets. "
        f"{HANDS_OUT} Then look for a kinked hose, a tap left shut, a blocked intake strainer or air in "
        "the canister."
    ),
    (AlarmKind.FLOW_STOPPED, Cause.AIR): (
        "Switch off heaters in the filter's line. Look for water on the floor, do not step into it near sockets, and at the water level above "
        f"the intake. {HANDS_OUT} Then look at seals and hose clamps and tilt the canister to let air out."
    ),
    (AlarmKind.FLOW_STOPPED, Cause.SENSOR_JAMMED): (
        "Look whether water moves at the outlet; do not reach in. If it moves, the flow sensor's rotor "
        f"is jammed: until it is cleaned watch the filter yourself. {HANDS_OUT} Then clean the sensor."
    ),
    (AlarmKind.FLOW_LOW, Cause.AIR): (
        f"Air is in the water: look at the water level above the intake. {HANDS_OUT} Then look at "
        "seals and hose clamps and tilt the canister to let air out."
    ),
    (AlarmKind.FLOW_LOW, Cause.SUDDEN_RESTRICTION): (
        f"Something closed at once. Look for water on the floor, and do not step into it near sockets. {HANDS_OUT} Then look for a kinked "
        "hose, a tap half shut, a leaf or a fish on the intake strainer."
    ),
    (AlarmKind.FLOW_LOW, Cause.MEDIA_CLOGGED): (
        f"Clean the filter today. {HANDS_OUT} Floss and foam first, biological media only in tank water."
    ),
    (AlarmKind.CLEANING_DUE, Cause.AIR): (
        f"Before cleaning it let the air out. {HANDS_OUT} Then look at the water level above the "
        "intake, at seals and hose clamps, and tilt the canister."
    ),
    (AlarmKind.CLEANING_DUE, Cause.MEDIA_CLOGGED): (
        f"Clean the filter. {HANDS_OUT} Floss and foam first, biological media only in tank water; "
        "then run `canister cleaned`."
    ),
    (AlarmKind.CLEANING_DUE, Cause.SUDDEN_RESTRICTION): (
        f"{HANDS_OUT} Before opening the canister look for a kinked hose, a tap half shut and a blocked "
        "intake strainer; if all are clear, clean it."
    ),
    (AlarmKind.FLOW_HIGH, Cause.HOSE_OFF): (
        "Do not step into water near sockets. Cut the power where it is dry, at the breaker if need be; "
        "if no dry place is safe, keep out. Then shut the taps and look for the hose behind the "
        f"sensor. {HANDS_OUT}"
    ),
    (AlarmKind.TEMPERATURE_HIGH, Cause.HEATER_OR_ROOM): (
        "Unplug the heater with dry hands and let it cool in the water: hot glass and hot water scald. "
        "Then look how warm the room is, and cool the tank slowly."
    ),
    (AlarmKind.TEMPERATURE_LOW, Cause.HEATER_OR_ROOM): (
        "Unplug the heater and let it cool before it is touched or covered with water: its glass may "
        f"crack. {HANDS_OUT} Then look whether it works and lies in moving water, and how cold the room "
        "is; warm the tank slowly."
    ),
    (AlarmKind.TEMPERATURE_UNKNOWN, Cause.PROBE_FAULT): (
        "Measure with a thermometer of your own, no hand in the water; then look at the probe's plug and "
        "cable with `canister check`."
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
