"""The frozen values that pass from room to room, each with its quality.

Times. `line_s` is seconds on a line that only ever goes forward, across restarts and clock steps
(see `monitor.runtime.clock`); every interval is taken on it. `utc_s` is the wall clock, seconds
since 1970-01-01 UTC, and serves people and other machines only.

Invalid data. A value that cannot be trusted is `None` beside a `Quality` that says why; there is
no NaN and no sentinel number. Zero is data.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

FilterId = str


class Quality(StrEnum):
    """How far a reading may be trusted, and if not, why not."""

    GOOD = "good"
    COLLECTING = "collecting"  # too few pulses yet for a rate; the previous value still stands
    MISSING = "missing"  # nothing came: a gap in time or an empty field
    OUT_OF_RANGE = "out of range"  # beyond what the sensor can show
    NOISY = "noisy"  # edges faster than any rotor makes them: an open wire or mains hum
    STUCK = "stuck"  # too even to be water: a frozen value, or pulses in step with the mains
    DISCONNECTED = "disconnected"  # the sensor or its reader is not there
    POWER_ON = "power-on value"  # the probe's reset value of 85 °C, not a temperature


class Moment(msgspec.Struct, frozen=True, gc=False):
    """One instant, on both lines of time."""

    line_s: float
    utc_s: float
    synchronised: bool = True


class PulseReading(msgspec.Struct, frozen=True, gc=False):
    """Pulses of one flow sensor counted over the `span_s` seconds that end now."""

    filter_id: str
    span_s: float
    pulses: int
    quality: Quality = Quality.GOOD


class FlowReading(msgspec.Struct, frozen=True, gc=False):
    """Mean flow in m³/s over the `span_s` seconds that end now; `None` when not to be trusted."""

    filter_id: str
    span_s: float
    flow_m3_per_s: float | None
    quality: Quality = Quality.GOOD


class TemperatureReading(msgspec.Struct, frozen=True, gc=False):
    """Water temperature in °C at the outlet now; `None` when not to be trusted."""

    filter_id: str
    temperature_c: float | None
    quality: Quality = Quality.GOOD


Reading = PulseReading | FlowReading | TemperatureReading


class CleanBasis(StrEnum):
    """Where a clean flow comes from."""

    NONE = "none"  # nothing measured and nothing predicted
    PREDICTED = "predicted"  # the sizing model
    PROVISIONAL = "provisional"  # measured, while the first steady hours are not over
    MEASURED = "measured"  # learned after commissioning or after a cleaning


class Cause(StrEnum):
    """What is most likely behind an alarm or an observation."""

    MEDIA_CLOGGED = "media-clogged"
    SUDDEN_RESTRICTION = "sudden-restriction"
    AIR = "air"
    PUMP_OR_POWER = "pump-or-power"
    BLOCKED = "blocked"
    SENSOR_WIRING = "sensor-wiring"
    CLEANED_UNTOLD = "cleaned-untold"
    POOR_RECOVERY = "poor-recovery"
    FLOW_STEP = "flow-step"
    SENSOR_JAMMED = "sensor-jammed"
    HOSE_OFF = "hose-off"
    HEATER_OR_ROOM = "heater-or-room"
    PROBE_FAULT = "probe-fault"
    HEATER_STUCK_ON = "heater-stuck-on"
    HEATER_STUCK_OFF = "heater-stuck-off"
    TEMPERATURE_RATE = "temperature-rate"
    NONE = "none"


class Note(msgspec.Struct, frozen=True, gc=False):
    """Something that the statistics see and that wakes nobody: what it looks like, in words."""

    cause: Cause
    evidence: str


class Outlook(msgspec.Struct, frozen=True, gc=False):
    """When cleaning will be due: seconds from now, low, median and high of an 80 % interval.

    `trend` is false when the flow does not show one yet and past cycles alone speak; then the times
    may be `None`. `fouling` is added resistance as a share of that at the user's limit.
    """

    low_s: float | None
    median_s: float | None
    high_s: float | None
    trend: bool
    shape: str
    fouling: float


class Assessment(msgspec.Struct, frozen=True, gc=False):
    """What the condition room makes of one filter at one moment; flows in m³/s.

    `flow_m3_per_s` is the newest estimate, `steady_m3_per_s` its mean over about ten seconds and
    `running_m3_per_s` over about ten minutes of running. `unknown_s` is how long there has been no
    trustworthy flow reading, 0 when the newest one is good. `dt_s` is the time this assessment
    speaks for.
    """

    filter_id: str
    dt_s: float
    flow_m3_per_s: float | None
    flow_quality: Quality
    steady_m3_per_s: float | None
    running_m3_per_s: float | None
    clean_m3_per_s: float | None
    clean_basis: CleanBasis
    temperature_c: float | None
    temperature_quality: Quality
    unknown_s: float
    fresh: bool  # a new flow estimate came with this assessment
    notes: tuple[Note, ...] = ()
    unsure: bool = False  # a new K factor is being fitted: only a standstill can be judged


class AlarmKind(StrEnum):
    """What an alarm is about; the word is part of topics and of `--json` output."""

    CLEANING_DUE = "cleaning-due"
    FLOW_LOW = "flow-low"
    FLOW_STOPPED = "flow-stopped"
    FLOW_UNKNOWN = "flow-unknown"
    FLOW_HIGH = "flow-high"
    TEMPERATURE_HIGH = "temperature-high"
    TEMPERATURE_LOW = "temperature-low"
    TEMPERATURE_UNKNOWN = "temperature-unknown"
    # Of the site, not of one filter.
    POWER_GONE = "power-gone"
    LEAK = "leak"
    READER_DEAD = "reader-dead"
    JOURNAL_FAILING = "journal-failing"
    STORAGE_VOLATILE = "storage-volatile"
    DISK_FILLING = "disk-filling"
    DELIVERY_REFUSED = "delivery-refused"
    CERTIFICATE_ENDING = "certificate-ending"
    CLOCK_UNSET = "clock-unset"
    UNDER_VOLTAGE = "under-voltage"
    BOARD_HOT = "board-hot"
    TEST = "test"


class Priority(StrEnum):
    """How soon an alarm wants a person."""

    HIGH = "high"  # at once, whatever the hour
    MEDIUM = "medium"  # today
    LOW = "low"  # within days


class AlarmState(StrEnum):
    """Where an alarm stands, in the words of IEC 62682 and ISA-18.2."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal"  # it is over, and nobody has acknowledged it
    LATCHED = "latched"  # its condition is over, it waits to be acknowledged
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"  # what explains it is said already, or it is meant to be so
    OUT_OF_SERVICE = "out of service"


class EventKind(StrEnum):
    """What happened, for the journal, the topics and `--json` output."""

    RAISED = "raised"
    CLEARED = "cleared"
    UPDATED = "updated"
    REPEATED = "repeated"  # it stands and is said again, or for the first time
    ESCALATED = "escalated"  # nobody has acknowledged it in time
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    OUT_OF_SERVICE = "out-of-service"
    IN_SERVICE = "in-service"
    PAUSED = "paused"
    PAUSE_ENDED = "pause-ended"
    OBSERVED = "observed"
    CLEAN_FLOW_LEARNED = "clean-flow-learned"
    CLEANED = "cleaned"
    CLEANED_UNDONE = "cleaned-undone"
    DAILY = "daily"  # how all filters stand, said once a day


class Event(msgspec.Struct, frozen=True, gc=False, omit_defaults=False):
    """One thing that happened to one filter, whole enough to be read on its own.

    An empty `filter_id` is the site itself.
    Flows are in m³/s. `occurrence` counts how often this alarm of this filter has been raised, so
    that raised and cleared can be paired; it is 0 for what is not an alarm. `consequence` says what
    happens if nothing is done, `sure` how likely the cause is, 0 to 1. `state` is where the alarm
    stands after this event, `active` whether its condition does; `announce` whether people are to be
    told of it, `by` who did it, where a person did. `since_utc_s` is when the alarm was raised last,
    by the clock of this event, `until_utc_s` when a person's quiet ends.
    """

    filter_id: str
    event: EventKind
    line_s: float
    utc_s: float
    alarm: AlarmKind | None
    occurrence: int
    flow_m3_per_s: float | None
    clean_m3_per_s: float | None
    clean_basis: CleanBasis
    temperature_c: float | None
    cause: Cause
    evidence: str
    advice: str
    consequence: str = ""
    sure: float | None = None
    state: AlarmState = AlarmState.NORMAL
    active: bool = False
    announce: bool = False
    by: str = ""
    since_utc_s: float | None = None
    until_utc_s: float | None = None


class Entry(msgspec.Struct, frozen=True):
    """An event with its place in the journal: `seq` never repeats within one journal.

    `run` names the run of the daemon, `synchronised` says whether its clock was right, `journal` is
    the id of the journal it was read from.
    """

    seq: int
    run: str
    synchronised: bool
    event: Event
    journal: str = ""


class Order(msgspec.Struct, frozen=True):
    """Something a person asked for: `name` of it, the filter it is about (empty: the site), minutes
    for what ends by itself, the alarm it is about (empty: all), which time it was raised (0: the last),
    who asked.
    """

    name: str
    filter_id: str
    minutes: float = 0.0
    alarm: str = ""
    occurrence: int = 0
    by: str = ""


class Sample(msgspec.Struct, frozen=True):
    """One line of telemetry."""

    moment: Moment
    seen: Assessment


class SampleRow(msgspec.Struct, frozen=True, gc=False):
    """One line of telemetry with its place in the journal, which has the id `journal`; flows in m³/s."""

    seq: int
    filter_id: str
    moment: Moment
    flow_m3_per_s: float | None
    flow_quality: Quality
    clean_m3_per_s: float | None
    temperature_c: float | None
    temperature_quality: Quality
    journal: str = ""


class MinuteRow(msgspec.Struct, frozen=True, gc=False):
    """What is left of one minute of one filter; flows in m³/s, means over what could be trusted.

    `minute` counts whole minutes of the line that only goes forward, `utc_s` is when its first sample was
    taken. `samples` is how many there were, `flow_samples` and `temperature_samples` how many of them
    had a value; without any the value is `None`. Clean flow is that of the last sample.
    """

    seq: int
    filter_id: str
    minute: int
    utc_s: int
    synchronised: bool
    samples: int
    flow_samples: int
    flow_m3_per_s: float | None
    lowest_m3_per_s: float | None
    highest_m3_per_s: float | None
    clean_m3_per_s: float | None
    temperature_samples: int
    temperature_c: float | None


class Health(msgspec.Struct, frozen=True, gc=False):
    """Whether a part does its work, and the one line that says so."""

    part: str
    working: bool
    line: str
    remedy: str = ""
