"""Every key of the configuration: its meaning, unit, default and limits.

A test holds `deploy/canister.reference.toml` in step with these classes.
"""

from __future__ import annotations

import json
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SecretStr,
    ValidationInfo,
    field_validator,
)
from pydantic_core import PydanticCustomError

ENVIRONMENT_PREFIX = "CANISTER_"
MAX_FILTERS = 8
ID_PATTERN = r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$"
# Family code 28 marks the digital thermometer family of the 1-Wire bus (data sheet of the DS18B20).
ROM_ID_PATTERN = r"^28-[0-9a-f]{12}$"

Id = Annotated[str, Field(pattern=ID_PATTERN, max_length=32)]


def key(
    description: str, unit: str = "", *, example: Any = None, sample: Any = None, **limits: Any
) -> Any:
    """A configuration key: what it means, its unit and its limits.

    `example` stands in the reference file as a set key, `sample` as one that is commented out.
    """
    extra = {"unit": unit, "example": example, "sample": sample}
    return Field(description=description, json_schema_extra=extra, **limits)


def _from_json(value: Any) -> Any:
    """Lists reach us from the environment as JSON text."""
    if isinstance(value, str):
        try:
            return json.loads(value)
        except ValueError:
            raise PydanticCustomError("not_json", "a list as JSON text") from None
    return value


class Section(BaseModel):
    """A table of the file; an unknown key in it is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _true_is_no_number(cls, value: Any, info: ValidationInfo) -> Any:
        """Python counts `true` as 1; a person who writes it for a pin or a bore means neither."""
        field = cls.model_fields[str(info.field_name)]
        if isinstance(value, bool) and field.annotation is not bool:
            raise PydanticCustomError("not_boolean", "a value of its kind")
        return value


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
    faults: Annotated[list[str], BeforeValidator(_from_json)] = key(
        "Faults of the first filter, as NAME@START or NAME@START+LENGTH; `canister rehearse --help` "
        "names them",
        sample=["stall@20s+5m"], default_factory=list, max_length=100,
    )  # fmt: skip


class StorageSettings(Section):
    """The journal: an SQLite file that keeps samples, events and what was learned."""

    folder: str = key(
        "Folder of the journal; must be on a real disk, not tmpfs or an overlay",
        default="/var/lib/canister-monitor",
    )
    sample_every_s: float = key(
        "How often a sample goes on the record", "s", default=10.0, ge=1, le=3600
    )
    commit_every_s: float = key(
        "Samples are written together this often, to spare the card; events at once",
        "s", default=300.0, ge=1, le=3600,
    )  # fmt: skip
    live_file: str = key(
        "Newest picture for `canister status`, on a memory file system; empty for none",
        default="/run/canister-monitor/live.json",
    )
    keep_samples_days: float = key(
        "Samples older than this are dropped; events are kept", "days", default=60.0, ge=1, le=3650
    )
    max_size_mb: float = key(
        "Above this size the oldest samples are dropped first", "MB", default=500.0, ge=5, le=100000
    )


class TlsSettings(Section):
    """Encryption towards the broker."""

    enabled: bool = key("Encrypt the connection", default=False)
    ca_file: str = key("Certificate authority, empty for the system's own", default="")
    cert_file: str = key("This site's own certificate, empty for none", default="")
    key_file: str = key("Key of this site's certificate", default="")


class MqttSettings(Section):
    """The MQTT broker; leave the whole table out to keep everything in the journal only."""

    host: str = key(
        "Name or address of the broker", min_length=1, max_length=253, example="localhost"
    )
    port: int | None = key(
        "Port; unset means 1883, or 8883 with TLS", sample=1883, default=None, ge=1, le=65535
    )
    version: Literal["5", "3.1.1"] = key(
        "MQTT version; with 3.1.1 a refusal by the broker cannot be seen", default="5"
    )
    username: str = key("User name at the broker, empty for none", default="")
    password: SecretStr | None = key(
        "Password; better kept in password_file",
        sample="not a good place",
        min_length=1,
        default=None,
    )
    password_file: str = key("File whose first line is the password", default="")
    client_id: str = key(
        "Client id; empty makes one from the site and this machine", default="", max_length=64
    )
    topic_root: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")] = key(
        "First level of every topic", default="canister"
    )
    keepalive_s: int = key("Keep-alive interval", "s", default=30, ge=5, le=3600)
    state_every_s: float = key(
        "How often each filter's state is published when nothing else happens",
        "s", default=10.0, ge=1, le=3600,
    )  # fmt: skip
    tls: TlsSettings = key("Encryption", default_factory=TlsSettings)


class FlowSensorSettings(Section):
    """The hall-effect flow sensor in the outlet hose."""

    pin: int = key("GPIO pin, BCM number", ge=0, le=27, example=17)
    pulses_per_litre: float = key(
        "K factor; calibrate by a known volume, 450 is what many half-inch bodies are sold with",
        "1/L", default=450.0, gt=0, le=100000,
    )  # fmt: skip
    max_flow_l_per_h: float = key(
        "Highest flow the sensor is sold for; a faster rate is a fault, not flow",
        "L/h", default=1800.0, gt=0, le=100000,
    )  # fmt: skip
    bore_mm: float = key("Bore of the sensor's body", "mm", default=10.0, ge=2, le=100)
    loss_coefficient: float = key(
        "Loss coefficient K on the velocity in that bore; 3 to 8 from memory, 0 leaves it out",
        default=5.0, ge=0, le=100,
    )  # fmt: skip


class ProbeSettings(Section):
    """The 1-Wire temperature probe at the outlet."""

    rom_id: Annotated[str, Field(pattern=ROM_ID_PATTERN)] = key(
        "ROM id of this probe: 28- and twelve digits or letters a to f",
        example="28-0123456789ab",
    )


class PumpSettings(Section):
    """The pump: the two figures of the box, or measured points."""

    rated_flow_l_per_h: float | None = key(
        "Rated flow at zero head", "L/h", default=None, gt=0, le=100000, example=1000.0
    )
    max_head_m: float | None = key(
        "Maximum head, where flow ceases", "m", default=None, gt=0, le=100, example=1.5
    )
    curve_exponent: float = key("Exponent of the pump curve", default=2.0, ge=1, le=4)
    points: Annotated[
        list[tuple[Annotated[float, Field(ge=0)], Annotated[float, Field(ge=0)]]] | None,
        BeforeValidator(_from_json),
    ] = key(
        "Instead of the two figures: three to ten measured pairs [flow, head]",
        "L/h and m", sample=[[0, 1.5], [500, 1.1], [950, 0.1]], default=None, min_length=3, max_length=10,
    )  # fmt: skip


class CanisterSettings(Section):
    """The canister itself."""

    volume_l: float | None = key(
        "Water in the full canister", "L", default=None, gt=0, le=1000, example=6.0
    )
    media_area_cm2: float = key(
        "Cross-section that the water passes through the media", "cm2", default=300.0, ge=1, le=1e5
    )


class HoseSettings(Section):
    """A length of hose or pipe of one bore; give each its own name."""

    bore_mm: float = key("Inner diameter", "mm", ge=2, le=200, example=16.0)
    length_m: float = key("Length", "m", gt=0, le=200, example=1.5)
    wall: Literal["smooth", "ribbed"] = key("Inner wall", default="smooth")


class FittingKind(StrEnum):
    """Local losses the model knows."""

    ELBOW = "elbow"
    BEND = "bend"
    BARB = "barb"
    TAP = "tap"
    COUPLING = "quick coupling"
    INTAKE = "intake"
    STRAINER = "strainer"
    UV_CHAMBER = "uv chamber"
    OTHER = "other"


class FittingSettings(Section):
    """Equal fittings; give each sort its own name."""

    kind: FittingKind = key("What it is", example="elbow")
    count: int = key("How many", default=1, ge=1, le=100)
    bore_mm: float = key("Bore that the water passes", "mm", ge=2, le=200, example=16.0)
    hose_bore_mm: float | None = key(
        "For a barb: bore of the hose on it", "mm", sample=16.0, default=None, ge=2, le=200
    )
    loss_coefficient: float | None = key(
        'K on the velocity in the bore; unset takes the usual one of its kind, "other" needs it',
        sample=0.9, default=None, ge=0, le=1000,
    )  # fmt: skip


class MediaSettings(Section):
    """One layer, written in the direction of flow; give each its own name."""

    material: str = key("A material that `canister size --materials` lists", example="foam 20 ppi")
    depth_mm: float = key("Depth along the flow", "mm", gt=0, le=2000, example=60.0)
    area_cm2: float | None = key(
        "Cross-section; unset takes canister.media_area_cm2",
        "cm2",
        sample=300.0,
        default=None,
        ge=1,
        le=1e5,
    )


class OutletSettings(Section):
    """Where the water comes back."""

    kind: Literal["open", "spray bar", "jet"] = key("What ends the outlet", default="open")
    height_above_surface_m: float = key(
        "Height of the outlet above the water level; 0 when it is under water",
        "m", default=0.0, ge=0, le=20,
    )  # fmt: skip
    bore_mm: float = key("Bore of the outlet pipe or bar", "mm", default=16.0, ge=2, le=200)
    holes: int = key("Holes of a spray bar", default=12, ge=1, le=500)
    hole_mm: float = key("Diameter of each hole, or of the jet", "mm", default=4.0, ge=0.5, le=100)


class TankSettings(Section):
    """The tank this filter serves."""

    volume_l: float | None = key("Net water volume", "L", default=None, gt=0, le=1e6, example=180.0)
    temperature_c: float = key(
        "Usual water temperature, for the sizing model", "degC", default=25.0, ge=0, le=40
    )
    salinity_g_per_kg: float = key(
        "Dissolved salt: 0 fresh, about 35 sea water", "g/kg", default=0.0, ge=0, le=45
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
    limits: LimitSettings = key("Limits", default_factory=LimitSettings)
    learning: LearningSettings = key("Learning", default_factory=LearningSettings)


class SettingsTree(Section):
    """The whole file."""

    site: SiteSettings = key("Site")
    rig: RigSettings = key("Simulated filter", default_factory=RigSettings)
    storage: StorageSettings = key("Storage", default_factory=StorageSettings)
    mqtt: MqttSettings | None = key("Broker; leave out for none", default=None)
    filters: dict[Id, FilterSettings] = key(
        f"One to {MAX_FILTERS} filters, by id", min_length=1, max_length=MAX_FILTERS
    )
