"""Ordinary set-ups, invented: what the sizing model makes of pumps with the hoses that go with them."""

from __future__ import annotations

import itertools
from typing import Any

from monitor.settings.convert import Installation, installation
from monitor.settings.model import FilterSettings
from monitor.sizing.study import study

# Rated flow in L/h, maximum head in m, and each hose bore in mm that goes with such a pump, with
# the holes of a 4 mm spray bar; which bore is usual is common practice, no source. Invented.
ORDINARY = [
    (400, 0.8, 12, 12),
    (600, 1.0, 12, 14),
    (800, 1.2, 12, 16),
    (800, 1.2, 16, 16),
    (1000, 1.5, 16, 18),
    (1300, 1.8, 16, 20),
    (1300, 1.8, 18, 20),
    (1600, 2.0, 16, 24),
    (1600, 2.0, 18, 24),
    (2000, 2.3, 18, 28),
    (2000, 2.3, 20, 28),
    (2500, 2.6, 20, 32),
]
LENGTHS_M = (1.5, 2.5, 4.0)
ELBOWS = (2, 3, 4)
OUTLETS = ("open", "spray bar")


def set_up(
    rated: float, head: float, bore: float, holes: int, length: float, elbows: int, outlet: str
) -> Installation:
    """Smooth hose with the lengths shared by inlet and outlet, strainer, stack over 300 cm²."""
    raw: dict[str, Any] = {
        "flow_sensor": {"pin": 17, "loss_coefficient": 0},
        "pump": {"rated_flow_l_per_h": rated, "max_head_m": head},
        "hoses": {
            "inlet": {"bore_mm": bore, "length_m": length / 2, "side": "inlet"},
            "outlet": {"bore_mm": bore, "length_m": length / 2},
        },
        "fittings": {
            "strainer": {"kind": "strainer", "bore_mm": bore, "side": "inlet"},
            "elbows": {"kind": "elbow", "bore_mm": bore, "count": elbows},
        },
        "canister": {"media_area_cm2": 300},
        "media": {
            "settlement": {"material": "large rings", "depth_mm": 60},
            "coarse": {"material": "foam 20 ppi", "depth_mm": 50},
            "biological": {"material": "sintered rings", "depth_mm": 100},
            "polish": {"material": "floss", "depth_mm": 20},
        },
        "outlet": {"kind": outlet, "bore_mm": bore, "holes": holes, "hole_mm": 4},
    }
    return installation("grid", FilterSettings.model_validate(raw))


def shares_of_rated() -> dict[str, float]:
    """Return of each set-up of the grid, by a name that describes it, the share of rated flow."""
    shares: dict[str, float] = {}
    for pump, length, elbows, outlet in itertools.product(ORDINARY, LENGTHS_M, ELBOWS, OUTLETS):
        rated, head, bore, _ = pump
        report = study(set_up(*pump, length, elbows, outlet), None).report
        largest = report.groups[0]
        name = (
            f"{rated} L/h and {head} m, bore {bore} mm, {length} m, {elbows} elbows, {outlet}; "
            f"mostly {largest.group}, {largest.share:.0%}"
        )
        shares[name] = report.share_of_rated
    return shares
