"""From checked settings to the plain values that the pure rooms take."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from monitor.errors import SettingsError, SizingError
from monitor.settings.description import (
    FittingKind,
    FittingSettings,
    MaterialSettings,
    MediaSettings,
    OutletSettings,
    PumpSettings,
)
from monitor.settings.figure import Figure
from monitor.settings.model import FilterSettings
from monitor.sizing.circuit import (
    RIBBED_ROUGHNESS_PER_BORE,
    SMOOTH_ROUGHNESS_PER_BORE,
    Circuit,
    Fitting,
    Group,
    Hose,
    Part,
    SprayBar,
    barb_k,
    two_k_elbow_k,
)
from monitor.sizing.media import MATERIALS, Layer, Material, MediaKind, Role, layer
from monitor.sizing.pump import Pump, pump_from_points, pump_from_rating, scaled
from monitor.sizing.report import Installation
from monitor.units import m3_per_s

Draw = Callable[[str, float, float, float], float]
"""Returns samples of a named input between low and high with the likely value between them."""

# Loss coefficients of a fitting without its own figure, on the velocity in its bore: low, likely,
# high. The bend, the tap and the re-entrant intake are Crane TP-410's (r/D = 3; full-bore ball
# valve; tube projecting into the tank, where Rennels gives 1.02); the others are from memory.
_USUAL_K: dict[FittingKind, tuple[float, float, float]] = {
    FittingKind.BEND: (0.2, 0.31, 0.45),
    FittingKind.TAP: (0.05, 0.08, 0.3),
    FittingKind.INTAKE: (0.5, 0.78, 1.02),
    FittingKind.COUPLING: (0.5, 1.5, 3.0),
    FittingKind.STRAINER: (0.5, 2.0, 4.0),
    FittingKind.UV_CHAMBER: (1.0, 2.5, 5.0),
}
_ELBOW_RANGE = (0.7, 1.0, 1.4)  # of the two-K figure; from memory
_SENSOR_K_RANGE = (3.0, 5.0, 8.0)  # from memory, no maker publishes it
_BOX_RANGE = (0.9, 1.0, 1.1)  # common practice, no source
_EXPONENT_RANGE = (1.5, 2.0, 2.5)  # from memory
_EXIT_K = 1.0  # all of the velocity head is lost where a pipe ends in a tank (Crane TP-410)
_DEFAULT_SENSOR_K = 5.0


def installation(
    filter_id: str,
    settings: FilterSettings,
    materials: Mapping[str, MaterialSettings] | None = None,
    draw: Draw | None = None,
) -> Installation:
    """Return what the sizing model needs of one filter.

    Args:
        filter_id, settings: the filter.
        materials: the user's own media materials by name.
        draw: gives samples for every input that is not certain; `None` takes the likely values.

    Raises:
        SettingsError: the pump is not described.
        SizingError: a part is impossible.
    """
    if settings.pump is None:
        raise SettingsError(
            [
                f"filters.{filter_id}.pump: not described; the sizing model needs "
                "rated_flow_l_per_h and max_head_m, or points"
            ]
        )
    return _Description(settings, materials or {}, draw).installation(filter_id, settings.pump)


def _labelled(kind: str, name: str, side: str) -> str:
    words = name.replace("_", " ")
    named = words if kind.rsplit(maxsplit=1)[-1] in words else f"{kind} {words}"
    return named if side in words else f"{named} ({side})"


class _Description:
    def __init__(
        self,
        settings: FilterSettings,
        materials: Mapping[str, MaterialSettings],
        draw: Draw | None,
    ) -> None:
        self._settings = settings
        self._materials = materials
        self._draw = draw

    def installation(self, filter_id: str, pump: PumpSettings) -> Installation:
        tank, outlet, canister = self._settings.tank, self._settings.outlet, self._settings.canister
        lift_m = self._of("outlet.height_above_surface_m", outlet.height_above_surface_m)
        return Installation(
            filter_id=filter_id,
            circuit=Circuit(self._pump(pump), self._parts(), lift_m),
            temperature_c=self._of("tank.temperature_c", tank.temperature_c),
            salinity_g_per_kg=self._of("tank.salinity_g_per_kg", tank.salinity_g_per_kg),
            tank_m3=tank.volume_l.value / 1000 if tank.volume_l is not None else 0.0,
            stocking=tank.stocking,
            filters_on_tank=tank.filters_on_it,
            canister_m3=canister.volume_l.value / 1000 if canister.volume_l is not None else 0.0,
            empty_kg=canister.empty_kg.value if canister.empty_kg is not None else None,
            media_area_m2=canister.media_area_cm2.value / 10000,
            dated=tuple(
                (name, m.material, m.fitted.toordinal() if m.fitted else None, m.replace_after_days)
                for name, m in self._settings.media.items()
            ),
        )

    def _of(
        self, label: str, figure: Figure, usual: tuple[float, float, float] | None = None
    ) -> float:
        """The value of an input; `usual` is its range, relative, where the user gave none."""
        low, likely, high = figure.low, figure.value, figure.high
        if not figure.ranged and usual is not None:
            low, high = figure.value * usual[0] / usual[1], figure.value * usual[2] / usual[1]
        return self._drawn(label, low, likely, high)

    def _drawn(self, label: str, low: float, likely: float, high: float) -> float:
        if self._draw is None or low >= high:
            return likely
        return self._draw(label, low, likely, high)

    def _pump(self, settings: PumpSettings) -> Pump:
        speed = self._of("pump.speed", settings.speed)
        if settings.figures_hz is not None and settings.mains_hz is not None:
            speed = speed * settings.mains_hz / settings.figures_hz
        remaining = self._of("pump.remaining_head", settings.remaining_head)
        return scaled(self._new_pump(settings), speed, remaining)

    def _new_pump(self, settings: PumpSettings) -> Pump:
        rated, head = settings.rated_flow_l_per_h, settings.max_head_m
        if settings.points is not None:
            if rated is not None or head is not None:
                raise SizingError(
                    "pump: give either points or rated_flow_l_per_h with max_head_m, not both"
                )
            return pump_from_points([(m3_per_s(q), h) for q, h in settings.points])
        if rated is None or head is None:
            raise SizingError(
                "pump: expected rated_flow_l_per_h and max_head_m (both are on the pump's box), "
                "or three to ten measured points"
            )
        return pump_from_rating(
            m3_per_s(self._of("pump.rated_flow_l_per_h", rated, _BOX_RANGE)),
            self._of("pump.max_head_m", head, _BOX_RANGE),
            self._of("pump.curve_exponent", settings.curve_exponent, _EXPONENT_RANGE),
        )

    def _parts(self) -> tuple[Part, ...]:
        settings = self._settings
        parts: list[Part] = []
        for name, hose in settings.hoses.items():
            at = f"hoses.{name}"
            ribbed = hose.wall == "ribbed"
            wall = RIBBED_ROUGHNESS_PER_BORE if ribbed else SMOOTH_ROUGHNESS_PER_BORE
            parts.append(
                Hose(
                    _labelled("hose", name, hose.side),
                    self._of(f"{at}.bore_mm", hose.bore_mm) / 1000,
                    self._of(f"{at}.length_m", hose.length_m),
                    self._drawn(f"{at}.wall", *wall),
                )
            )
        parts += [self._fitting(name, fitting) for name, fitting in settings.fittings.items()]
        parts += [self._layer(name, media) for name, media in settings.media.items()]
        sensor = settings.flow_sensor
        if sensor.loss_coefficient.high > 0:
            usual = _SENSOR_K_RANGE if sensor.loss_coefficient.value == _DEFAULT_SENSOR_K else None
            parts.append(
                Fitting(
                    f"flow sensor, bore {sensor.bore_mm.value:g} mm",
                    self._of("flow_sensor.bore_mm", sensor.bore_mm) / 1000,
                    self._of("flow_sensor.loss_coefficient", sensor.loss_coefficient, usual),
                    group=Group.FLOW_SENSOR,
                )
            )
        parts.append(self._outlet(settings.outlet))
        return tuple(parts)

    def _outlet(self, outlet: OutletSettings) -> Part:
        bore = self._of("outlet.bore_mm", outlet.bore_mm) / 1000
        if outlet.kind == "open":
            return Fitting("open outlet", bore, _EXIT_K, group=Group.OUTLET)
        holes = outlet.holes if outlet.kind == "spray bar" else 1
        hole = self._of("outlet.hole_mm", outlet.hole_mm) / 1000
        return SprayBar(outlet.kind, bore, holes, hole)

    def _fitting(self, name: str, settings: FittingSettings) -> Fitting:
        at, label = f"fittings.{name}", _labelled(settings.kind, name, settings.side)
        bore = self._of(f"{at}.bore_mm", settings.bore_mm) / 1000
        given = settings.loss_coefficient
        if given is not None:
            k = self._of(f"{at}.loss_coefficient", given)
            return Fitting(label, bore, k, 0.0, settings.count)
        if settings.kind is FittingKind.ELBOW:
            laminar, at_infinity = two_k_elbow_k(bore)
            low, likely, high = _ELBOW_RANGE
            factor = self._drawn(f"{at}.loss_coefficient", low, likely, high)
            return Fitting(label, bore, at_infinity * factor, laminar * factor, settings.count)
        if settings.kind is FittingKind.BARB:
            if settings.hose_bore_mm is None:
                raise SizingError(f"fitting {name}: a barb needs hose_bore_mm, the hose it sits in")
            hose_bore = self._of(f"{at}.hose_bore_mm", settings.hose_bore_mm) / 1000
            return Fitting(label, hose_bore, barb_k(hose_bore, bore), 0.0, settings.count)
        if settings.kind is FittingKind.OTHER:
            raise SizingError(f'fitting {name}: kind "other" needs loss_coefficient')
        k = self._drawn(f"{at}.loss_coefficient", *_USUAL_K[settings.kind])
        return Fitting(label, bore, k, 0.0, settings.count)

    def _layer(self, name: str, settings: MediaSettings) -> Layer:
        at, area = f"media.{name}", settings.area_cm2
        material = self._material(name, settings.material)
        spread = material.uncertainty
        area_cm2 = (
            self._of(f"{at}.area_cm2", area)
            if area is not None
            else self._of("canister.media_area_cm2", self._settings.canister.media_area_cm2)
        )
        return layer(
            name,
            material,
            self._of(f"{at}.depth_mm", settings.depth_mm) / 1000,
            area_cm2 / 10000,
            self._drawn(f"{at}.resistance", 1 - spread, 1.0, 1 + spread),
        )

    def _material(self, name: str, wanted: str) -> Material:
        own = self._materials.get(wanted)
        if own is not None:
            return Material(
                MediaKind(own.kind),
                Role(own.role),
                own.voidage,
                own.grain_mm,
                own.permeability_m2,
                own.inertia_per_m,
                own.bulk_kg_per_l,
                own.opening_mm,
                own.uncertainty,
                own.source,
            )
        if wanted in MATERIALS:
            return MATERIALS[wanted]
        raise SizingError(
            f'media {name}: unknown material "{wanted}"; expected one of: '
            + ", ".join([*self._materials, *MATERIALS])
        )
