"""The tree of the configuration, and the keys of a site: meaning, unit, default and limits.

Those of the hardware stand in description.py, of the ways out in outward.py, of the page in web.py. A
test holds `deploy/canister.reference.toml` in step with these classes.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BeforeValidator, model_validator

from monitor.records import AlarmKind
from monitor.settings.base import MAX_FILTERS, Id, Section, from_json, key
from monitor.settings.description import (
    CanisterSettings,
    FittingSettings,
    FlowSensorSettings,
    HoseSettings,
    MaterialSettings,
    MeasuredSettings,
    MediaSettings,
    OutletSettings,
    ProbeSettings,
    PumpSettings,
    ReminderSettings,
    TankSettings,
)
from monitor.settings.outward import InfluxSettings, MqttSettings, NotifySettings, SignsSettings
from monitor.settings.web import PageSettings


class SourceKind(StrEnum):
    """Where readings come from."""

    PINS = "pins"
    RIG = "rig"


class SiteSettings(Section):
    """The place where the filters stand."""

    id: Id = key("Short name of the site in topics: a-z, 0-9 and _", example="fish_room")
    name: str = key("Name for people", default="", max_length=80)
    units: Literal["metric", "us"] = key(
        "Units shown to people; topics and files are always metric", default="metric"
    )
    source: SourceKind = key(
        'Where readings come from: "pins" (the real sensors) or "rig" (a simulated filter, to try '
        "things out)",
        default=SourceKind.PINS,
    )


class RigSettings(Section):
    """The simulated filter, for site.source = "rig"; a way to try alarms without water."""

    seed: int = key("The same seed, the same story", default=1, ge=0)
    faults: Annotated[list[str], BeforeValidator(from_json)] = key(
        "Faults of the first filter, as NAME@START or NAME@START+LENGTH; `canister rehearse --help` "
        "names them",
        sample=["stall@20s+5m"], default_factory=list, max_length=100,
    )  # fmt: skip


class LeakSettings(Section):
    """A drip or flood contact on the floor, between a pin and ground; leave out for none."""

    pin: int = key("GPIO pin, BCM number", ge=0, le=27, example=22)
    wet_when: Literal["closed", "open"] = key(
        'What water does to the contact; with one that it opens ("open") a broken wire is told as '
        "water, with one that it closes a broken wire stays dry",
        default="closed",
    )
    hold_s: float = key(
        "It must stand for this long before it counts, wet or dry", "s", default=2.0, ge=0, le=60
    )


class StorageSettings(Section):
    """The journal: an SQLite file that keeps samples, events and what was learned."""

    folder: str = key(
        "Folder of the journal; must be on a real disk, not tmpfs or an overlay",
        default="/var/lib/canister-monitor",
    )
    sample_every_s: float = key(
        "How often a sample goes on the record", "s", default=1.0, ge=1, le=3600
    )
    commit_every_s: float = key(
        "Samples are written together this often, to spare the card; events at once",
        "s", default=600.0, ge=1, le=3600,
    )  # fmt: skip
    live_file: str = key(
        "Newest picture for `canister status`, on a memory file system; empty for none",
        default="/run/canister-monitor/live.json",
    )
    keep_samples_days: float = key(
        "Of samples older than this one row a minute is left; events are kept for ever",
        "days", default=2.0, ge=1, le=3650,
    )  # fmt: skip
    keep_minutes_days: float = key(
        "Minutes older than this are dropped", "days", default=731.0, ge=1, le=36500
    )
    owed_samples_days: float = key(
        "Samples that the history's server has not got yet are kept whole for this long",
        "days", default=35.0, ge=1, le=3650,
    )  # fmt: skip
    max_size_mb: float = key(
        "Above this size the oldest samples are dropped first", "MB", default=500.0, ge=5, le=100000
    )


class LimitSettings(Section):
    """When to raise an alarm; shares are of the clean flow."""

    cleaning_due_share: float = key(
        "Cleaning is due below this share (common practice: down 20 to 30 %)",
        "of clean flow", default=0.75, gt=0, lt=1,
    )  # fmt: skip
    cleaning_due_hold_min: float = key("... for this long", "min", default=60.0, ge=0, le=10080)
    flow_low_share: float = key(
        "Flow is low, and someone should look today, below this share",
        "of clean flow", default=0.5, gt=0, lt=1,
    )  # fmt: skip
    flow_low_hold_s: float = key("... for this long", "s", default=60.0, ge=0, le=86400)
    flow_stopped_share: float = key(
        "Flow has stopped below this share: a blocked meter may still trickle",
        "of clean flow", default=0.2, gt=0, lt=1,
    )  # fmt: skip
    flow_stopped_hold_s: float = key("... for this long", "s", default=10.0, ge=0, le=3600)
    flow_high_share: float = key(
        "Flow is above clean, a hose may be off, above this share", "of clean flow", default=1.25,
        gt=1, le=5,
    )  # fmt: skip
    flow_high_hold_s: float = key("... for this long", "s", default=300.0, ge=0, le=86400)
    temperature_hold_s: float = key(
        "Temperature is out of the tank's band for this long", "s", default=60.0, ge=0, le=86400
    )
    probe_hold_s: float = key(
        "The probe gives no temperature for this long", "s", default=300.0, ge=10, le=86400
    )
    flow_unknown_hold_s: float = key(
        "Without a trustworthy flow reading for this long, say so",
        "s",
        default=60.0,
        ge=5,
        le=86400,
    )
    clear_margin: float = key(
        "A raised alarm clears this much above its share", "of clean flow",
        default=0.05, ge=0.01, le=0.3,
    )  # fmt: skip
    clear_hold_s: float = key("... for this long", "s", default=15.0, ge=0, le=3600)


class AlarmSettings(Section):
    """How alarms are said, again and to whom; the same for all filters."""

    repeat_min: float = key(
        "An alarm that nobody has acknowledged is said again after this, then after twice as long, "
        "and so on", "min", default=60.0, ge=5, le=1440,
    )  # fmt: skip
    repeat_at_most_h: float = key(
        "... but at least this often; one of low priority only this often",
        "h",
        default=24.0,
        ge=1,
        le=168,
    )
    escalate_min: float = key(
        "Nobody having acknowledged one of high priority after this, it goes to the second channel too",
        "min", default=15.0, ge=1, le=1440,
    )  # fmt: skip
    acknowledged_for_h: float = key(
        "An acknowledged alarm that still stands after this is said again",
        "h", default=12.0, ge=1, le=168,
    )  # fmt: skip
    low_acknowledged_for_days: float = key(
        "... and one of low priority, such as cleaning due, after this",
        "days", default=7.0, ge=0.5, le=60,
    )  # fmt: skip
    latching: Annotated[list[AlarmKind], BeforeValidator(from_json)] = key(
        "Alarms that stand until acknowledged, though their condition is over",
        sample=["flow-stopped"], default_factory=list, max_length=len(AlarmKind),
    )  # fmt: skip

    @model_validator(mode="after")
    def _in_order(self) -> AlarmSettings:
        if self.repeat_at_most_h * 60 < self.repeat_min:
            raise ValueError("repeat_at_most_h must not be shorter than repeat_min")
        return self


class ReportSettings(Section):
    """Reports for whoever owns the tanks; `canister report` makes one at any time."""

    heading: str = key(
        "A line above every report, such as who looks after the filters", default="", max_length=120
    )
    folder: str = key(
        "Once a month is over, its report is written into this folder; empty: none is made by itself",
        sample="/var/lib/canister-monitor/reports", default="",
    )  # fmt: skip
    pdf: bool = key("Also as PDF; needs the extra `report` and Pango", default=False)
    keep: int = key(
        "So many monthly reports are kept, older ones are deleted", default=36, ge=1, le=600
    )


class LearningSettings(Section):
    """How the clean flow is learned after commissioning and after each cleaning."""

    settle_min: float = key(
        "Wait this long after the start, while air leaves and the pump warms",
        "min", default=10.0, ge=0, le=1440,
    )  # fmt: skip
    learn_min: float = key(
        "Then take the mean over the first steady stretch of this length",
        "min", default=60.0, ge=1, le=1440,
    )  # fmt: skip
    steady_within: float = key(
        "Steady means that the twelfths of that stretch differ by no more than this",
        "of clean flow", default=0.06, gt=0, le=0.5,
    )  # fmt: skip


class FilterSettings(Section):
    """One canister filter."""

    name: str = key("Name for people", default="", max_length=80)
    card: str = key(
        "File of a set-up card whose pump, canister and media stand in for what is not written here",
        default="",
    )
    flow_sensor: FlowSensorSettings = key("Flow sensor")
    probe: ProbeSettings | None = key("Temperature probe; leave out for none", default=None)
    pump: PumpSettings | None = key(
        "Pump; leave out when it is unknown: clean flow is then measured only", default=None
    )
    canister: CanisterSettings = key("Canister", default_factory=CanisterSettings)
    hoses: dict[Id, HoseSettings] = key("Hoses, by name", default_factory=dict)
    fittings: dict[Id, FittingSettings] = key("Fittings, by name", default_factory=dict)
    media: dict[Id, MediaSettings] = key(
        "Media layers, by name, in the direction of flow", default_factory=dict
    )
    outlet: OutletSettings = key("Outlet", default_factory=OutletSettings)
    tank: TankSettings = key("Tank", default_factory=TankSettings)
    measured: MeasuredSettings | None = key("Measured clean flows", default=None)
    limits: LimitSettings = key("Limits", default_factory=LimitSettings)
    learning: LearningSettings = key("Learning", default_factory=LearningSettings)
    reminders: ReminderSettings = key("Reminders by date", default_factory=ReminderSettings)


class SettingsTree(Section):
    """The whole file."""

    site: SiteSettings = key("Site")
    rig: RigSettings = key("Simulated filter", default_factory=RigSettings)
    leak: LeakSettings | None = key("Leak contact; leave out for none", default=None)
    storage: StorageSettings = key("Storage", default_factory=StorageSettings)
    mqtt: MqttSettings | None = key("Broker; leave out for none", default=None)
    notify: NotifySettings = key("Messages to people", default_factory=NotifySettings)
    influx: InfluxSettings = key("History", default_factory=InfluxSettings)
    report: ReportSettings = key("Reports", default_factory=ReportSettings)
    signs: SignsSettings = key("Signs of life", default_factory=SignsSettings)
    page: PageSettings = key("Web page", default_factory=PageSettings)
    alarms: AlarmSettings = key("How alarms are said", default_factory=AlarmSettings)
    materials: dict[Id, MaterialSettings] = key(
        "Media materials of your own, by name", default_factory=dict
    )
    filters: dict[Id, FilterSettings] = key(
        f"One to {MAX_FILTERS} filters, by id", min_length=1, max_length=MAX_FILTERS
    )
