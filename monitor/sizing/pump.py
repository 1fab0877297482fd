"""A centrifugal pump's head against its flow.

Two descriptions are accepted: rated flow at zero head with maximum head (the two figures printed
on every box), or three to ten measured points, which a parabola is fitted to by least squares.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import msgspec

from monitor.errors import SizingError
from monitor.sizing.quantity import outside, power
from monitor.units import l_per_h

MIN_POINTS, MAX_POINTS = 3, 10
DEFAULT_EXPONENT = 2.0  # the usual parabola; another exponent shifts clean flow by up to 10 %


class Pump(msgspec.Struct, frozen=True):
    """H(Q) = H0·(1 − (Q/Qmax)^p), or H(Q) = H0 + b·Q + c·Q² where `fitted`.

    `max_head_m` is H0, the head at no flow; `rated_flow_m3_per_s` is Qmax, the flow at no head.
    `linear` is b in s/m² and `quadratic` c in s²/m⁵; both 0 unless fitted.
    `fit_error_m` is the root mean square distance of the points from the fitted curve.
    """

    max_head_m: float
    rated_flow_m3_per_s: float
    exponent: float = DEFAULT_EXPONENT
    fitted: bool = False
    linear: float = 0.0
    quadratic: float = 0.0
    fit_error_m: float = 0.0

    def head_m(self, flow_m3_per_s: float) -> float:
        """Return the head in m at a flow of 0 to `rated_flow_m3_per_s`."""
        if self.fitted:
            return self.max_head_m + flow_m3_per_s * (self.linear + flow_m3_per_s * self.quadratic)
        fraction = flow_m3_per_s / self.rated_flow_m3_per_s
        return self.max_head_m * (1.0 - power(fraction, self.exponent))


def pump_from_rating(
    rated_flow_m3_per_s: float, max_head_m: float, exponent: float = DEFAULT_EXPONENT
) -> Pump:
    """Return the pump whose box names these two figures.

    Raises:
        SizingError: a figure is not above zero, or the exponent is outside 1 to 4.
    """
    if outside(rated_flow_m3_per_s, 1e-12, math.inf):
        raise SizingError("pump: rated flow at zero head must be above 0 L/h")
    if outside(max_head_m, 1e-9, math.inf):
        raise SizingError("pump: maximum head must be above 0 m")
    if outside(exponent, 1.0, 4.0):
        raise SizingError(f"pump: curve exponent {exponent}: expected 1 to 4, 2 is usual")
    return Pump(max_head_m, rated_flow_m3_per_s, exponent)


def pump_from_points(points: Sequence[tuple[float, float]]) -> Pump:
    """Fit H = a + b·Q + c·Q² through measured points by least squares.

    Args:
        points: three to ten pairs (flow in m³/s, head in m), flow rising from pair to pair.

    Raises:
        SizingError: too few or too many points, heads that do not fall as the flow rises, or a
            fitted curve that rises somewhere on the way to zero head.
    """
    if not MIN_POINTS <= len(points) <= MAX_POINTS:
        raise SizingError(
            f"pump: {len(points)} measured points: expected {MIN_POINTS} to {MAX_POINTS}"
        )
    for (q1, h1), (q2, h2) in itertools.pairwise(points):
        if q2 <= q1 or h2 >= h1:
            raise SizingError(
                f"pump: measured points must fall with flow, but after {l_per_h(q1):g} L/h at "
                f"{h1:g} m comes {l_per_h(q2):g} L/h at {h2:g} m"
            )
    scale = points[-1][0]
    scaled = [(q / scale, h) for q, h in points]
    a, b, c = _parabola(scaled)
    if b > 0:
        # A pump's head does not rise from no flow; the noise of the points, or a flat top, says so.
        a, b, c = _parabola_flat_at_no_flow(scaled)
    b, c = b / scale, c / scale**2
    squares = sum((a + q * (b + q * c) - h) ** 2 for q, h in points)
    zero_head = _falling_root(a, b, c)
    if zero_head is None:
        raise SizingError(
            "pump: the curve through the measured points does not fall steadily to zero head; "
            "measure again, with one point near no flow and one near full flow"
        )
    return Pump(a, zero_head, DEFAULT_EXPONENT, True, b, c, math.sqrt(squares / len(points)))


def scaled(pump: Pump, speed: float, remaining_head: float = 1.0) -> Pump:
    """Return the pump at another speed, or aged.

    Affinity laws: flow goes with the speed and head with its square (Crane TP-410, example 7.33);
    50 Hz figures on 60 Hz mains are a speed of 1.2. They leave out that losses in a small pump fall
    more slowly than that.

    Args:
        pump: as its figures say.
        speed: share of the speed that the figures hold for, above 0.
        remaining_head: head still given at any flow, as a share of new, above 0 up to 1; flow at
            zero head falls with its square root.

    Raises:
        SizingError: outside these ranges.
    """
    if outside(speed, 1e-3, 10.0) or outside(remaining_head, 1e-3, 1.0):
        raise SizingError("pump: speed must be above 0, remaining head above 0 and up to 1")
    flow = speed * power(remaining_head, 0.5)
    head = speed * speed * remaining_head
    return Pump(
        pump.max_head_m * head,
        pump.rated_flow_m3_per_s * flow,
        pump.exponent,
        pump.fitted,
        pump.linear * head / flow,
        pump.quadratic * head / (flow * flow),
        pump.fit_error_m * head,
    )


def _parabola(points: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """Least-squares a, b, c of y = a + b·x + c·x², x of the order of 1."""
    s = [sum(x**k for x, _ in points) for k in range(5)]
    t = [sum(y * x**k for x, y in points) for k in range(3)]
    rows = [[s[0], s[1], s[2], t[0]], [s[1], s[2], s[3], t[1]], [s[2], s[3], s[4], t[2]]]
    for i in range(3):
        pivot = max(range(i, 3), key=lambda r: abs(rows[r][i]))
        rows[i], rows[pivot] = rows[pivot], rows[i]
        for r in range(i + 1, 3):
            factor = rows[r][i] / rows[i][i]
            rows[r] = [u - factor * v for u, v in zip(rows[r], rows[i], strict=True)]
    c = rows[2][3] / rows[2][2]
    b = (rows[1][3] - rows[1][2] * c) / rows[1][1]
    return (rows[0][3] - rows[0][1] * b - rows[0][2] * c) / rows[0][0], b, c


def _parabola_flat_at_no_flow(points: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """Least-squares a, 0, c of y = a + c·x²."""
    n = len(points)
    squares = [x * x for x, _ in points]
    mean_x, mean_y = sum(squares) / n, sum(y for _, y in points) / n
    above = sum((s - mean_x) * (y - mean_y) for s, (_, y) in zip(squares, points, strict=True))
    c = above / sum((s - mean_x) ** 2 for s in squares)
    return mean_y - c * mean_x, 0.0, c


def _falling_root(a: float, b: float, c: float) -> float | None:
    """The flow where a + b·q + c·q² reaches zero, if it falls all the way there; else `None`.

    Written as 2a/(−b + √(b² − 4ac)), which loses no digits when c is next to nothing. For b ≤ 0 it
    is the smaller positive root, so the curve falls all the way to it.
    """
    discriminant = b * b - 4 * a * c
    if a <= 0 or b > 0 or discriminant < 0:
        return None
    below = -b + math.sqrt(discriminant)
    return 2 * a / below if below > 0 else None
