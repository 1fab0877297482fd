"""The keys that describe one filter: sensors, pump, hoses, fittings, media, outlet, tank."""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from monitor.settings.base import ROM_ID_PATTERN, Section, figure, from_json, key
from monitor.settings.figure import Figure


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
    offset_hz: float = key(
        "a in f = K·Q − a, where the sensor is described with an offset", "Hz", default=0.0, ge=0,
        le=1000,
    )  # fmt: skip
    error_percent: float = key(
        "The K factor may be off by this (twice the standard uncertainty); as sold, uncalibrated, 10",
        "%", default=10.0, ge=0, le=100,
    )  # fmt: skip
    min_flow_l_per_h: float = key(
        "Below this the rotor may stand still", "L/h", default=60.0, ge=0, le=10000
    )
    bore_mm: Figure = figure("Bore of the sensor's body", "mm", default=10.0, ge=2, le=100)
    loss_coefficient: Figure = figure(
        "Loss coefficient K on the velocity in that bore; 3 to 8 from memory, 0 leaves it out",
        default=5.0,
        ge=0,
        le=100,
    )
    output: Literal["unknown", "open-collector", "driven-5v"] = key(
        'What its output does, as you measured it (see the guide): "open-collector", "driven-5v" or '
        '"unknown"; `canister wiring` draws accordingly',
        default="unknown",
    )
    cable_m: float = key(
        "Length of the sensor's cable, for `canister wiring`", "m", default=2.0, gt=0, le=100
    )


class ProbeSettings(Section):
    """The 1-Wire temperature probe at the outlet."""

    rom_id: Annotated[str, Field(pattern=ROM_ID_PATTERN)] = key(
        "ROM id of this probe: 28- and twelve digits or letters a to f",
        example="28-0123456789ab",
    )


class PumpSettings(Section):
    """The pump: the two figures of the box, or measured points."""

    rated_flow_l_per_h: Figure | None = figure("Rated flow at zero head; without a range ±10 % is taken, boxes are generous (common "
        "practice, no source)",
        "L/h", optional=True, example=1000.0, gt=0, le=100000)  # fmt: skip
    max_head_m: Figure | None = figure("Maximum head, where flow ceases; without a range ±10 % is taken",
        "m", optional=True, example=1.5, gt=0, le=100)  # fmt: skip
    curve_exponent: Figure = figure(
        "Exponent of the pump curve; without a range 1.5 to 2.5 is taken (from memory)",
        default=2.0,
        ge=1,
        le=4,
    )
    points: Annotated[
        list[tuple[Annotated[float, Field(ge=0)], Annotated[float, Field(ge=0)]]] | None,
        BeforeValidator(from_json),
    ] = key(
        "Instead of the two figures: three to ten measured pairs [flow, head]",
        "L/h and m", sample=[[0, 1.5], [500, 1.1], [950, 0.1]], default=None,
        min_length=3, max_length=10,
    )  # fmt: skip
    figures_hz: Literal[50, 60] | None = key(
        "Mains frequency at which the figures hold; unset means yours",
        "Hz", sample=60, default=None,
    )  # fmt: skip
    mains_hz: Literal[50, 60] | None = key(
        "Your mains frequency; counts only beside figures_hz", "Hz", sample=50, default=None
    )
    speed: Figure = figure(
        "Speed set at the pump, as a share of that of the figures", default=1.0, ge=0.1, le=1.5
    )
    remaining_head: Figure = figure(
        "Ageing: the head still given at any flow, as a share of new", default=1.0, gt=0.2, le=1
    )


class CanisterSettings(Section):
    """The canister itself."""

    volume_l: Figure | None = figure(
        "Water in the full canister", "L", optional=True, example=6.0, gt=0, le=1000
    )
    media_area_cm2: Figure = figure(
        "Cross-section that the water passes through the media", "cm2", default=300.0, ge=1, le=1e5
    )
    empty_kg: Figure | None = figure(
        "Weight of the empty canister with its head", "kg", sample=3.0, optional=True, ge=0, le=200
    )


class HoseSettings(Section):
    """A length of hose or pipe of one bore; give each its own name."""

    bore_mm: Figure = figure("Inner diameter", "mm", example=16.0, ge=2, le=200)
    length_m: Figure = figure("Length", "m", example=1.5, gt=0, le=200)
    wall: Literal["smooth", "ribbed"] = key(
        "Inner wall; ribbed counts as two to four times the friction of smooth (no published "
        "figure for such hose)",
        default="smooth",
    )
    side: Literal["inlet", "outlet"] = key("Before or after the canister", default="outlet")


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
    bore_mm: Figure = figure("Bore that the water passes", "mm", example=16.0, ge=2, le=200)
    hose_bore_mm: Figure | None = figure(
        "For a barb: bore of the hose on it", "mm", sample=16.0, optional=True, ge=2, le=200
    )
    loss_coefficient: Figure | None = figure('K on the velocity in the bore; unset takes the usual one of its kind, "other" needs it',
        sample=0.9, optional=True, ge=0, le=1000)  # fmt: skip
    side: Literal["inlet", "outlet"] = key("Before or after the canister", default="outlet")


class MaterialSettings(Section):
    """A media material of your own, beside those that `canister size --materials` lists."""

    kind: Literal["grains", "foam", "fibres"] = key("How it resists", example="foam")
    voidage: float = key(
        "Share of empty space between grains or fibres, or in the foam", ge=0.2, le=0.995,
        example=0.97,
    )  # fmt: skip
    grain_mm: float = key(
        "Grains: diameter of the equal sphere; fibres: their diameter", "mm", default=0.0, ge=0,
        le=200,
    )  # fmt: skip
    permeability_m2: float = key(
        "Foam: Darcy permeability K", "m2", default=0.0, ge=0, le=1e-3, sample=1.2e-7
    )
    inertia_per_m: float = key(
        "Foam: Forchheimer coefficient C", "1/m", default=0.0, ge=0, le=1e6, sample=270.0
    )
    uncertainty: float = key("Its resistance may be off by this share", default=0.5, ge=0, le=0.95)
    bulk_kg_per_l: float = key(
        "Dry weight of a litre as loaded", "kg/L", default=0.0, ge=0, le=5, sample=0.6
    )
    opening_mm: float = key(
        "Size of its openings, for the order of the stack", "mm", gt=0, le=200, example=1.2
    )
    role: Literal["settlement", "mechanical", "biological", "chemical"] = key(
        "What it is there for", default="mechanical"
    )
    source: str = key("Where these figures come from", min_length=1, example="my own measurement")


class MediaSettings(Section):
    """One layer, written in the direction of flow; give each its own name."""

    material: str = key(
        "One of your materials, or one that `canister size --materials` lists",
        example="foam 20 ppi",
    )
    depth_mm: Figure = figure("Depth along the flow", "mm", example=60.0, gt=0, le=2000)
    area_cm2: Figure | None = figure(
        "Cross-section; unset takes canister.media_area_cm2",
        "cm2",
        sample=300.0,
        optional=True,
        ge=1,
        le=1e5,
    )
    fitted: date | None = key(
        "When this layer was put in, for what is replaced by date",
        sample="2026-03-01",
        default=None,
    )
    replace_after_days: int | None = key(
        "Replace it after this; unset means 30 for carbon (common practice, no source), else never",
        "days", sample=30, default=None, ge=1, le=3650,
    )  # fmt: skip


class OutletSettings(Section):
    """Where the water comes back."""

    kind: Literal["open", "spray bar", "jet"] = key("What ends the outlet", default="open")
    height_above_surface_m: Figure = figure(
        "Height of the outlet above the water level; 0 when it is under water",
        "m",
        default=0.0,
        ge=0,
        le=20,
    )
    bore_mm: Figure = figure("Bore of the outlet pipe or bar", "mm", default=16.0, ge=2, le=200)
    holes: int = key("Holes of a spray bar", default=12, ge=1, le=500)
    hole_mm: Figure = figure(
        "Diameter of each hole, or of the jet", "mm", default=4.0, ge=0.5, le=100
    )


class TankSettings(Section):
    """The tank this filter serves."""

    volume_l: Figure | None = figure(
        "Net water volume", "L", optional=True, example=180.0, gt=0, le=1e6
    )
    temperature_c: Figure = figure(
        "Usual water temperature, for the sizing model", "degC", default=25.0, ge=0, le=40
    )
    min_c: float | None = key(
        "Alarm below this temperature; unset means none", "degC", sample=22.0, default=None, ge=0,
        le=40,
    )  # fmt: skip
    max_c: float | None = key(
        "Alarm above this temperature; unset means none", "degC", sample=28.0, default=None, ge=0,
        le=40,
    )  # fmt: skip
    salinity_g_per_kg: Figure = figure(
        "Dissolved salt: 0 fresh, about 35 sea water", "g/kg", default=0.0, ge=0, le=45
    )
    stocking: Literal["light", "normal", "heavy"] = key(
        "How many animals for the water; heavy counts double for media", default="normal"
    )
    filters_on_it: int = key(
        "How many filters like this one serve the tank together", default=1, ge=1, le=8
    )


class MeasuredSettings(Section):
    """Clean flows that were measured, from the monitor or with a bucket and a watch."""

    flows_l_per_h: Annotated[
        list[Annotated[float, Field(gt=0, le=100000)]], BeforeValidator(from_json)
    ] = key("Measured clean flows", "L/h", example=[560.0], min_length=1, max_length=50)
    error_percent: float = key(
        "Each may be off by this much (twice the standard uncertainty)", "%", default=5.0, gt=0,
        le=50,
    )  # fmt: skip


class ReminderSettings(Section):
    """What is to be done by date; said by `canister status` and in the daily word."""

    uv_lamp_off_until: date | None = key(
        "New tank: leave the UV lamp off until then (common practice: the first two weeks, no source)",
        sample="2026-03-15", default=None,
    )  # fmt: skip
    uv_lamp_fitted: date | None = key(
        "When the UV lamp was put in", sample="2026-03-01", default=None
    )
    uv_lamp_hours: int = key(
        "Hours that the lamp lasts, burning day and night (from memory; see its box)",
        "h", default=8000, ge=100, le=100000,
    )  # fmt: skip
    carbon_fitted: date | None = key(
        "When carbon was put in, where it is no layer of media with a date of its own",
        sample="2026-03-01", default=None,
    )  # fmt: skip
    carbon_days: int = key(
        "Carbon is spent after this (common practice, no source)", "days", default=30, ge=1, le=3650
    )
    seals_checked: date | None = key(
        "When the seals were looked at and greased last", sample="2026-03-01", default=None
    )
    seals_every_months: int = key(
        "Look at the seals so often (common practice, no source)",
        "months",
        default=12,
        ge=1,
        le=120,
    )
