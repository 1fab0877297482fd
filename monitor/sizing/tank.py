"""Whether a loaded filter suits its tank: turnover, media against stock, weight.

Every rule here is common practice with no published source: 4 to 6 tank volumes an hour for light
and normal stocking, 6 to 10 for heavy, judged with the loaded flow; 1 kg of sintered media for
100 L, double for heavy stocking.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from monitor.sizing.media import Layer, Role
from monitor.sizing.report import Installation
from monitor.units import LITRES_PER_M3, SECONDS_PER_HOUR

TURNOVER_PER_H = {"light": (4.0, 6.0), "normal": (4.0, 6.0), "heavy": (6.0, 10.0)}
LITRES_PER_MEDIA_KG = {"light": 100.0, "normal": 100.0, "heavy": 50.0}
HEAVY_TO_LIFT_KG = 10.0
_WATER_KG_PER_L = 1.0


class TankReport(msgspec.Struct, frozen=True):
    """The filter against its tank; volumes in m³, masses in kg.

    `turnover_per_h` is that of all filters on the tank together when clean, `None` without a tank.
    `serves_m3` is the tank volume that this one filter serves, `serves_by` what limits it.
    `full_kg` is `None` when neither the canister's water nor its empty weight is described.
    """

    stocking: str
    turnover_per_h: float | None
    turnover_wanted: tuple[float, float]
    media_kg: float
    biological_kg: float
    biological_needed_kg: float | None
    media_share_of_tank: float | None
    serves_m3: float
    serves_by: str
    full_kg: float | None
    remarks: tuple[str, ...]


def judge_tank(installation: Installation, clean_m3_per_s: float) -> TankReport:
    """Return how a filter with its clean loaded flow suits its tank."""
    layers = [part for part in installation.circuit.parts if isinstance(part, Layer)]
    stocking, together = installation.stocking, installation.filters_on_tank
    media_kg = _mass_kg(layers)
    biological_kg = _mass_kg([x for x in layers if x.material.role is Role.BIOLOGICAL])
    low, high = TURNOVER_PER_H[stocking]
    per_hour_m3 = clean_m3_per_s * SECONDS_PER_HOUR
    by_turnover = per_hour_m3 / low
    by_media = biological_kg * LITRES_PER_MEDIA_KG[stocking] / LITRES_PER_M3
    tank = installation.tank_m3
    needed = tank * LITRES_PER_M3 / LITRES_PER_MEDIA_KG[stocking] / together if tank else None
    turnover = per_hour_m3 * together / tank if tank else None
    volume_m3 = sum(x.depth_m * x.area_m2 for x in layers)
    limited_by_media = by_media < by_turnover
    report = TankReport(
        stocking=stocking,
        turnover_per_h=turnover,
        turnover_wanted=(low, high),
        media_kg=media_kg,
        biological_kg=biological_kg,
        biological_needed_kg=needed,
        media_share_of_tank=volume_m3 * together / tank if tank else None,
        serves_m3=min(by_turnover, by_media),
        serves_by="biological media" if limited_by_media else "turnover",
        full_kg=_full_kg(installation, media_kg),
        remarks=(),
    )
    return msgspec.structs.replace(report, remarks=_remarks(report))


def _mass_kg(layers: Sequence[Layer]) -> float:
    return sum(x.depth_m * x.area_m2 * LITRES_PER_M3 * x.material.bulk_kg_per_l for x in layers)


def _full_kg(installation: Installation, media_kg: float) -> float | None:
    if not installation.canister_m3 or installation.empty_kg is None:
        return None
    water_kg = installation.canister_m3 * LITRES_PER_M3 * _WATER_KG_PER_L
    return installation.empty_kg + water_kg + media_kg


def _remarks(report: TankReport) -> tuple[str, ...]:
    found = []
    low, high = report.turnover_wanted
    turnover = report.turnover_per_h
    if turnover is not None and turnover < low:
        found.append(
            f"Turnover {turnover:.1f} an hour is below the {low:g} to {high:g} of {report.stocking} "
            "stocking (common practice, no source)."
        )
    if turnover is not None and turnover > high:
        found.append(
            f"Turnover {turnover:.1f} an hour is above the {low:g} to {high:g} of {report.stocking} "
            "stocking: mind animals that dislike current (common practice, no source)."
        )
    needed = report.biological_needed_kg
    if needed is not None and report.biological_kg < needed:
        found.append(
            f"Biological media {report.biological_kg:.1f} kg of the {needed:.1f} kg that the stock "
            "asks for (common practice, no source)."
        )
    if report.full_kg is not None and report.full_kg >= HEAVY_TO_LIFT_KG:
        found.append(
            f"Full it weighs about {report.full_kg:.0f} kg: empty it where it stands or lift it with "
            "a straight back and a second pair of hands."
        )
    return tuple(found)
