"""The worked example that several tests of the sizing model start from."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.sizing.circuit import Circuit, Fitting, Group, Hose, Part
from monitor.sizing.media import MATERIALS, layer
from monitor.sizing.pump import pump_from_rating
from monitor.units import m3_per_s


@pytest.fixture
def example() -> Callable[..., Circuit]:
    """1000 L/h and 1.5 m; 3 m of smooth 16 mm hose, K 8, rings, foam and floss over 300 cm²."""

    def build(
        bore_mm: float = 16.0,
        k: float = 8.0,
        exponent: float = 2.0,
        roughness_per_bore: float = 0.0,
        sensor_k: float = 0.0,
        lift_m: float = 0.0,
    ) -> Circuit:
        bore_m = bore_mm / 1000
        parts: list[Part] = [
            Hose("hose", bore_m, 3.0, roughness_per_bore),
            Fitting("fittings", bore_m, k),
            layer("rings", MATERIALS["large rings"], 0.120, 0.03),
            layer("foam", MATERIALS["foam 20 ppi"], 0.060, 0.03),
            layer("floss", MATERIALS["floss"], 0.020, 0.03),
        ]
        if sensor_k:
            parts.append(Fitting("sensor", 0.010, sensor_k, group=Group.FLOW_SENSOR))
        return Circuit(pump_from_rating(m3_per_s(1000), 1.5, exponent), tuple(parts), lift_m)

    return build
