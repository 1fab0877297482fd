"""The checks that a practitioner makes on a media stack; all common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from monitor.sizing.media import Layer, Role
from monitor.sizing.report import Installation

CARBON_DAYS = 30  # common practice, no source
_FINE_MM = 0.5  # openings below this are a polishing pad
_BYPASS_BELOW = 0.95  # of the canister's cross-section


def judge_stack(installation: Installation, today: int | None) -> tuple[str, ...]:
    """Return what is unusual about the stack, in the direction of flow.

    Args:
        installation: the filter.
        today: proleptic ordinal of the day, for what is replaced by date; `None` leaves that out.
    """
    layers = [part for part in installation.circuit.parts if isinstance(part, Layer)]
    if not layers:
        return ("No media are described: the clean flow is that of an empty canister.",)
    return (
        *_order(layers),
        *_bypass(layers, installation.media_area_m2),
        *_dates(installation, today),
    )


def _order(layers: Sequence[Layer]) -> list[str]:
    found = []
    if layers[0].material.role is not Role.SETTLEMENT:
        found.append(
            f"No settlement layer first: large rings ahead of {layers[0].label} would catch heavy "
            "dirt and lengthen the time between cleanings."
        )
    mechanical = [x for x in layers if x.material.role is Role.MECHANICAL]
    for before, after in pairwise(mechanical):
        if after.material.opening_mm > before.material.opening_mm:
            found.append(
                f"{before.label} is finer than {after.label} behind it: the order is coarse to fine, "
                "or the first clogs for both."
            )
    for index, fine in enumerate(layers):
        behind = [x.label for x in layers[index + 1 :] if x.material.role is Role.BIOLOGICAL]
        if fine.material.opening_mm < _FINE_MM and behind:
            found.append(f"The fine pad {fine.label} belongs last, behind {', '.join(behind)}.")
    biological = next((n for n, x in enumerate(layers) if x.material.role is Role.BIOLOGICAL), None)
    if biological is not None and not any(
        x.material.role is Role.MECHANICAL for x in layers[:biological]
    ):
        found.append(
            f"Nothing keeps dirt from {layers[biological].label}: put foam ahead of the biological "
            "media."
        )
    return found


def _bypass(layers: Sequence[Layer], canister_area_m2: float) -> list[str]:
    return [
        f"{x.label} leaves {1 - x.area_m2 / canister_area_m2:.0%} of the cross-section open: water "
        "passes beside it."
        for x in layers
        if canister_area_m2 and x.area_m2 < _BYPASS_BELOW * canister_area_m2
    ]


def _dates(installation: Installation, today: int | None) -> list[str]:
    found = []
    roles = {p.label: p.material.role for p in installation.circuit.parts if isinstance(p, Layer)}
    for name, material, fitted, lasts in installation.dated:
        chemical = roles.get(name) is Role.CHEMICAL
        days = lasts if lasts is not None else CARBON_DAYS if chemical else None
        if days is None or today is None:
            continue
        if fitted is None:
            found.append(f"{name} ({material}) has no date: write fitted, it lasts {days} days.")
        elif today - fitted > days:
            found.append(
                f"{name} ({material}) is {today - fitted - days} days over its {days}: replace it, "
                "spent carbon gives back what it held."
                if chemical
                else f"{name} ({material}) is {today - fitted - days} days over its {days}: replace it."
            )
    return found
