"""Many operating points at once, by numpy: the same parts, with arrays where they had numbers."""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray

from monitor.errors import SizingError
from monitor.sizing.circuit import Circuit
from monitor.sizing.water import Water

Samples = NDArray[np.float64]

_ROUNDS = 60
_CLOSE = 1e-10  # of the flow at zero head
_NEXT_TO_NO_FLOW = 1e-9  # of the same


def solve_flows_m3_per_s(
    circuit: Circuit, water: Water, count: int, extra_s2_per_m5: float | Samples = 0.0
) -> Samples:
    """Return the flow of each sample, in m³/s.

    The pump's head falls with flow and every loss rises with it, so there is one crossing; false
    position with the Illinois rule finds it and never leaves the bracket.

    Args:
        circuit, water: any of their figures may be an array of `count` samples.
        count: how many samples.
        extra_s2_per_m5: added resistance k ≥ 0, a head of k·Q².

    Raises:
        SizingError: in some sample the pump cannot lift the water to the outlet.
    """
    if np.any(np.asarray(circuit.pump.max_head_m) <= np.asarray(circuit.lift_m)):
        raise SizingError(
            "no flow: within its range the pump's maximum head does not always reach the outlet; "
            "lower the outlet, use a stronger pump, or narrow the ranges"
        )
    top = np.broadcast_to(np.asarray(circuit.pump.rated_flow_m3_per_s, float), (count,)).copy()

    def balance(flow: Samples) -> Samples:
        q = cast(float, flow)
        asked = circuit.loss_m(q, water) + extra_s2_per_m5 * flow * flow
        return np.asarray(circuit.pump.head_m(q) - asked, float)

    low, high = top * _NEXT_TO_NO_FLOW, top
    at_low, at_high = balance(low), balance(high)
    for _ in range(_ROUNDS):
        flow = high - at_high * (high - low) / (at_high - at_low)
        here = balance(flow)
        other_side = here * at_high < 0.0
        low = np.where(other_side, high, low)
        at_low = np.where(other_side, at_high, at_low / 2.0)
        moved = np.abs(flow - high)
        high, at_high = flow, here
        if not np.any((moved > _CLOSE * top) & (here != 0.0)):
            break
    return high
