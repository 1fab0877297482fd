"""What `canister size` answers: clean flow, what each part costs, turnover, the trade's rule."""

from __future__ import annotations

import msgspec

from monitor.sizing.circuit import Circuit, Loss, operating_point
from monitor.sizing.water import water
from monitor.units import LITRES_PER_M3, SECONDS_PER_HOUR

# Common practice, no source: a loaded canister moves about half of the pump's rated flow.
RULE_SHARE_OF_RATED = 0.5
# Computed for ordinary circuits with a smooth hose; a result outside deserves a second look.
ORDINARY_SHARE_OF_RATED = (0.35, 0.80)
_EXPONENTS = (0.5, 6.0)


class Installation(msgspec.Struct, frozen=True):
    """One filter on one tank, as the sizing model sees it.

    `tank_m3` is the net water volume, 0 when the tank is not described; `stocking` is light, normal
    or heavy; `canister_m3` the water in the full canister, 0 when unknown. `dated` holds for each
    layer its name, material, the day it was fitted (proleptic ordinal) and how many days it lasts.
    """

    filter_id: str
    circuit: Circuit
    temperature_c: float
    salinity_g_per_kg: float
    tank_m3: float
    stocking: str = "normal"
    filters_on_tank: int = 1
    canister_m3: float = 0.0
    empty_kg: float | None = None
    media_area_m2: float = 0.0
    dated: tuple[tuple[str, str, int | None, int | None], ...] = ()


class SizeReport(msgspec.Struct, frozen=True):
    """The clean operating point of one filter; flows in m³/s, heads in m, shares 0 to 1."""

    filter_id: str
    temperature_c: float
    clean_m3_per_s: float
    head_m: float
    rated_m3_per_s: float
    share_of_rated: float
    rule_m3_per_s: float
    turnover_per_h: float | None
    losses: tuple[Loss, ...]
    groups: tuple[Loss, ...]
    remarks: tuple[str, ...]


def size(installation: Installation) -> SizeReport:
    """Solve the clean operating point and put it beside the rule of the trade.

    Raises:
        SizingError: the described filter cannot move water, or its water is outside 0 to 40 °C.
    """
    circuit = installation.circuit
    point = operating_point(
        circuit, water(installation.temperature_c, installation.salinity_g_per_kg)
    )
    rated = circuit.pump.rated_flow_m3_per_s
    share = point.flow_m3_per_s / rated
    turnover = (
        point.flow_m3_per_s * SECONDS_PER_HOUR * installation.filters_on_tank / installation.tank_m3
        if installation.tank_m3
        else None
    )
    groups = _by_group(point.losses)
    return SizeReport(
        installation.filter_id,
        installation.temperature_c,
        point.flow_m3_per_s,
        point.head_m,
        rated,
        share,
        rated * RULE_SHARE_OF_RATED,
        turnover,
        point.losses,
        groups,
        _remarks(circuit, share, point.losses, groups),
    )


def fouling_exponent(installation: Installation, clean_m3_per_s: float) -> float:
    """Return n with which added resistance goes as x^(−n) − 1, x the share of clean flow.

    Pump curve and losses decide how much resistance brings the flow down; n is fitted so that the
    ratio of the resistances at half and at three quarters of clean flow is the circuit's own. For a
    parabola against losses with Q² it is 2.

    Args:
        installation: the filter.
        clean_m3_per_s: its clean flow, above 0.

    Raises:
        SizingError: the water is outside 0 to 40 °C.
    """
    circuit = installation.circuit
    at = water(installation.temperature_c, installation.salinity_g_per_kg)

    def added(share: float) -> float:
        flow = clean_m3_per_s * share
        return (circuit.pump.head_m(flow) - circuit.loss_m(flow, at)) / flow**2

    wanted = added(0.5) / added(0.75)
    low, high = _EXPONENTS
    for _ in range(60):
        n = (low + high) / 2
        ratio = (0.5**-n - 1) / (0.75**-n - 1)
        low, high = (n, high) if ratio < wanted else (low, n)
    return (low + high) / 2


def _by_group(losses: tuple[Loss, ...]) -> tuple[Loss, ...]:
    totals: dict[str, tuple[float, float]] = {}
    for loss in losses:
        head, share = totals.get(loss.group, (0.0, 0.0))
        totals[loss.group] = (head + loss.head_m, share + loss.share)
    rows = [Loss(group, group, head, share) for group, (head, share) in totals.items()]
    return tuple(sorted(rows, key=lambda row: -row.head_m))


def _remarks(
    circuit: Circuit, share: float, losses: tuple[Loss, ...], groups: tuple[Loss, ...]
) -> tuple[str, ...]:
    low, high = ORDINARY_SHARE_OF_RATED
    remarks = []
    if not low <= share <= high:
        remarks.append(
            f"Clean flow is {share:.0%} of the rated flow, outside the {low:.0%} to {high:.0%} "
            "that ordinary set-ups give: look at the bores and the pump's figures again."
        )
    sensor = next((row for row in groups if row.group == "flow sensor"), None)
    if sensor is not None and sensor.share >= 0.2:
        remarks.append(
            f"The flow sensor alone takes {sensor.share:.0%} of the head: a body with a wider "
            "bore would give part of that flow back."
        )
    if circuit.lift_m > 0:
        remarks.append(
            f"The outlet stands {circuit.lift_m:g} m above the water; each cm under the surface "
            "gives head back."
        )
    largest = max(losses, key=lambda loss: loss.head_m, default=None)
    if largest is not None:
        remarks.append(
            f"The largest single loss is {largest.label}: {largest.head_m:.2f} m, "
            f"{largest.share:.0%} of the head."
        )
    return tuple(remarks)


def litres(volume_m3: float) -> float:
    """Return a volume in litres from one in m³."""
    return volume_m3 * LITRES_PER_M3
