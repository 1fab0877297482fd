"""From checked settings to the plain values that the pure rooms take."""

from __future__ import annotations

from collections.abc import Callable

from monitor.errors import SettingsError, SizingError
from monitor.settings.model import (
    FilterSettings,
    FittingKind,
    FittingSettings,
    MediaSettings,
    PumpSettings,
)
from monitor.sizing.circuit import (
    RIBBED_ROUGHNESS_PER_BORE,
    Circuit,
    Fitting,
    Group,
    Hose,
    Part,
    SprayBar,
    barb_k,
    two_k_elbow_k,
)
from monitor.sizing.media import MATERIALS, Layer, layer
from monitor.sizing.pump import Pump, pump_from_points, pump_from_rating
from monitor.sizing.report import Installation
from monitor.units import m3_per_s

# Loss coefficients of a fitting without its own figure, on the velocity in its bore. The bend, the
# tap and the re-entrant intake are Crane TP-410's (r/D = 3; full-bore ball valve; tube projecting
# into the tank); the others have no published figure and are from memory.
_USUAL_K: dict[FittingKind, float] = {
    FittingKind.BEND: 0.31,
    FittingKind.TAP: 0.08,
    FittingKind.INTAKE: 0.78,
    FittingKind.COUPLING: 1.5,
    FittingKind.STRAINER: 2.0,
    FittingKind.UV_CHAMBER: 2.5,
}
_EXIT_K = 1.0  # all of the velocity head is lost where a pipe ends in a tank (Crane TP-410)


def installation(filter_id: str, settings: FilterSettings) -> Installation:
    """Return what the sizing model needs of one filter.

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
    tank = settings.tank
    return Installation(
        filter_id,
        Circuit(pump(settings.pump), _parts(settings), settings.outlet.height_above_surface_m),
        tank.temperature_c,
        tank.salinity_g_per_kg,
        (tank.volume_l or 0.0) / 1000,
    )


def pump(settings: PumpSettings) -> Pump:
    """Return the pump from its rating or from its measured points.

    Raises:
        SizingError: neither is given, both are, or the points do not fall.
    """
    if settings.points is not None:
        if settings.rated_flow_l_per_h is not None or settings.max_head_m is not None:
            raise SizingError(
                "pump: give either points or rated_flow_l_per_h with max_head_m, not both"
            )
        return pump_from_points([(m3_per_s(q), h) for q, h in settings.points])
    if settings.rated_flow_l_per_h is None or settings.max_head_m is None:
        raise SizingError(
            "pump: expected rated_flow_l_per_h and max_head_m (both are on the pump's box), "
            "or three to ten measured points"
        )
    return pump_from_rating(
        m3_per_s(settings.rated_flow_l_per_h), settings.max_head_m, settings.curve_exponent
    )


def _parts(settings: FilterSettings) -> tuple[Part, ...]:
    parts: list[Part] = []
    for name, hose in settings.hoses.items():
        rough = RIBBED_ROUGHNESS_PER_BORE if hose.wall == "ribbed" else 0.0
        parts.append(Hose(f"hose {name}", hose.bore_mm / 1000, hose.length_m, rough))
    parts += [_fitting(name, fitting) for name, fitting in settings.fittings.items()]
    parts += [
        _layer(name, media, settings.canister.media_area_cm2)
        for name, media in settings.media.items()
    ]
    sensor = settings.flow_sensor
    if sensor.loss_coefficient > 0:
        parts.append(
            Fitting(
                f"flow sensor, bore {sensor.bore_mm:g} mm",
                sensor.bore_mm / 1000,
                sensor.loss_coefficient,
                group=Group.FLOW_SENSOR,
            )
        )
    outlet = settings.outlet
    bore = outlet.bore_mm / 1000
    if outlet.kind == "open":
        parts.append(Fitting("open outlet", bore, _EXIT_K, group=Group.OUTLET))
    else:
        holes = outlet.holes if outlet.kind == "spray bar" else 1
        parts.append(SprayBar(outlet.kind, bore, holes, outlet.hole_mm / 1000))
    return tuple(parts)


def _fitting(name: str, settings: FittingSettings) -> Fitting:
    bore = settings.bore_mm / 1000
    make: Callable[[float, float], Fitting] = lambda k, laminar: Fitting(  # noqa: E731
        f"{settings.kind} {name}", bore, k, laminar, settings.count
    )
    if settings.loss_coefficient is not None:
        return make(settings.loss_coefficient, 0.0)
    if settings.kind is FittingKind.ELBOW:
        laminar, at_infinity = two_k_elbow_k(bore)
        return make(at_infinity, laminar)
    if settings.kind is FittingKind.BARB:
        if settings.hose_bore_mm is None:
            raise SizingError(f"fitting {name}: a barb needs hose_bore_mm, the hose it sits in")
        k_on_hose = barb_k(settings.hose_bore_mm / 1000, bore)
        return Fitting(
            f"{settings.kind} {name}", settings.hose_bore_mm / 1000, k_on_hose, 0.0, settings.count
        )
    if settings.kind is FittingKind.OTHER:
        raise SizingError(f'fitting {name}: kind "other" needs loss_coefficient')
    return make(_USUAL_K[settings.kind], 0.0)


def _layer(name: str, settings: MediaSettings, canister_area_cm2: float) -> Layer:
    if settings.material not in MATERIALS:
        raise SizingError(
            f'media {name}: unknown material "{settings.material}"; expected one of: '
            + ", ".join(MATERIALS)
        )
    area_cm2 = settings.area_cm2 if settings.area_cm2 is not None else canister_area_cm2
    return layer(name, MATERIALS[settings.material], settings.depth_mm / 1000, area_cm2 / 10000)
