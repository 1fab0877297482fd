"""The pump's curve, from the two figures of the box or from measured points."""

from __future__ import annotations

import math

import pytest

from monitor.errors import SizingError
from monitor.sizing.pump import Pump, pump_from_points, pump_from_rating, scaled
from monitor.units import l_per_h, m3_per_s

Points = list[tuple[float, float]]


def measured(*points: tuple[float, float]) -> Points:
    """Pairs (L/h, m) in the units of the model."""
    return [(m3_per_s(flow), head) for flow, head in points]


def known_parabola(flow_l_per_h: float) -> float:
    """1.6 − 0.4·x − x² m with x in m³/h; zero at x = 1.080625."""
    x = flow_l_per_h / 1000
    return 1.6 - 0.4 * x - x * x


@pytest.mark.parametrize("exponent", [1.0, 1.5, 2.0, 3.0, 4.0])
def test_the_two_figures_of_the_box_are_the_ends_of_the_curve(exponent: float) -> None:
    pump = pump_from_rating(m3_per_s(1000), 1.5, exponent)
    assert pump.head_m(0.0) == 1.5
    assert pump.head_m(m3_per_s(1000)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("exponent", "head_m"), [(1, 0.75), (2, 1.125), (3, 1.3125)])
def test_head_at_half_flow_follows_the_exponent(exponent: float, head_m: float) -> None:
    """By hand: 1.5·(1 − 0.5^p)."""
    pump = pump_from_rating(m3_per_s(1000), 1.5, exponent)
    assert pump.head_m(m3_per_s(500)) == pytest.approx(head_m, rel=1e-12)


@pytest.mark.parametrize(
    ("flow", "head_m", "exponent", "text"),
    [
        (0.0, 1.5, 2.0, "rated flow at zero head must be above 0 L/h"),
        (-1.0, 1.5, 2.0, "rated flow at zero head must be above 0 L/h"),
        (math.nan, 1.5, 2.0, "rated flow at zero head must be above 0 L/h"),
        (1e-4, 0.0, 2.0, "maximum head must be above 0 m"),
        (1e-4, math.nan, 2.0, "maximum head must be above 0 m"),
        (1e-4, 1.5, 0.9, "curve exponent 0.9: expected 1 to 4"),
        (1e-4, 1.5, 4.1, "curve exponent 4.1: expected 1 to 4"),
    ],
)
def test_an_impossible_rating_is_refused(
    flow: float, head_m: float, exponent: float, text: str
) -> None:
    with pytest.raises(SizingError, match=text):
        pump_from_rating(flow, head_m, exponent)


@pytest.mark.parametrize(
    "flows", [(0, 500, 1000), (100, 400, 700, 1000), (0, 150, 300, 450, 600, 750, 800, 850, 900)]
)
def test_points_on_a_parabola_give_that_parabola_back(flows: tuple[float, ...]) -> None:
    pump = pump_from_points(measured(*((q, known_parabola(q)) for q in flows)))
    assert pump.max_head_m == pytest.approx(1.6, rel=1e-9)
    root = (-0.4 + math.sqrt(0.4**2 + 4 * 1.6)) / 2 * 1000
    assert l_per_h(pump.rated_flow_m3_per_s) == pytest.approx(root, rel=1e-9)
    for q in (0, 333, 999):
        assert pump.head_m(m3_per_s(q)) == pytest.approx(known_parabola(q), rel=1e-9)
    assert pump.fit_error_m == pytest.approx(0.0, abs=1e-9)


def test_the_fit_tells_how_far_the_points_lie_from_it() -> None:
    """Offsets −1, 3, −3, 1 at equal steps are at right angles to every parabola.

    Least squares must then leave the curve where it was, with an error of d·√(20/4).
    """
    d = 0.004
    flows, offsets = (200, 400, 600, 800), (-d, 3 * d, -3 * d, d)
    points = [(q, known_parabola(q) + e) for q, e in zip(flows, offsets, strict=True)]
    pump = pump_from_points(measured(*points))
    assert pump.max_head_m == pytest.approx(1.6, rel=1e-9)
    assert pump.head_m(m3_per_s(500)) == pytest.approx(known_parabola(500), rel=1e-9)
    assert pump.fit_error_m == pytest.approx(d * math.sqrt(5), rel=1e-9)


def test_a_fitted_curve_falls_from_no_flow_to_rated_flow() -> None:
    pump = pump_from_points(measured((50, 1.55), (300, 1.40), (600, 0.98), (900, 0.46)))
    heads = [pump.head_m(pump.rated_flow_m3_per_s * n / 20) for n in range(21)]
    assert heads == sorted(heads, reverse=True)
    assert heads[-1] == pytest.approx(0.0, abs=1e-9)


def test_a_curve_that_flattens_out_ends_where_it_first_reaches_zero() -> None:
    """1.5 − 2·x + 0.6·x² m with x in m³/h: zero at x = 1.1396 and again at 2.194."""
    points = [(q, 1.5 - 2 * q / 1000 + 0.6 * (q / 1000) ** 2) for q in (0, 300, 600, 900)]
    pump = pump_from_points(measured(*points))
    root = (2 - math.sqrt(4 - 4 * 0.6 * 1.5)) / 1.2 * 1000
    assert l_per_h(pump.rated_flow_m3_per_s) == pytest.approx(root, rel=1e-9)


@pytest.mark.parametrize("count", [0, 2, 11])
def test_three_to_ten_points_are_needed(count: int) -> None:
    points = measured(*((80.0 * n, known_parabola(80.0 * n)) for n in range(count)))
    with pytest.raises(SizingError, match=rf"pump: {count} measured points: expected 3 to 10"):
        pump_from_points(points)


@pytest.mark.parametrize(
    ("points", "text"),
    [
        ([(0, 1.5), (500, 1.5), (1000, 0.2)], "after 0 L/h at 1.5 m comes 500 L/h at 1.5 m"),
        ([(0, 1.5), (500, 1.1), (1000, 1.2)], "after 500 L/h at 1.1 m comes 1000 L/h at 1.2 m"),
        ([(0, 1.5), (500, 1.1), (500, 0.9)], "after 500 L/h at 1.1 m comes 500 L/h at 0.9 m"),
        ([(600, 0.9), (300, 1.2), (0, 1.5)], "after 600 L/h at 0.9 m comes 300 L/h at 1.2 m"),
    ],
)
def test_points_that_do_not_fall_are_refused(points: Points, text: str) -> None:
    with pytest.raises(SizingError, match=f"must fall with flow, but {text}"):
        pump_from_points(measured(*points))


def test_a_curve_that_never_reaches_zero_head_is_refused() -> None:
    with pytest.raises(SizingError, match="does not fall steadily to zero head"):
        pump_from_points(measured((0, 3.0), (500, 1.1), (1000, 1.0)))


def test_a_pump_cannot_be_changed() -> None:
    pump: Pump = pump_from_rating(1e-4, 1.0)
    with pytest.raises(AttributeError):
        pump.max_head_m = 2.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("points", "rated_l_per_h", "error_m"),
    [
        # 1.5·(1 − (Q/1000)²) exactly: rounding alone makes the linear term a hair above zero.
        ([(0, 1.5), (500, 1.125), (1000, 0.0)], 1000.0, 1e-9),
        # A straight line: the quadratic term is next to nothing.
        ([(0, 1.2), (300, 0.9), (600, 0.6), (900, 0.3)], 1200.0, 1e-9),
        # A flat top, 2·(1 − (Q/1000)³): no parabola fits it, the fit says by how much.
        ([(0, 2.0), (250, 1.96875), (500, 1.75), (750, 1.15625), (950, 0.28525)], 1000.0, 0.2),
    ],
    ids=["parabola", "straight line", "flat top"],
)
def test_ordinary_curves_are_accepted_as_measured_points(
    points: list[tuple[float, float]], rated_l_per_h: float, error_m: float
) -> None:
    pump = pump_from_points([(m3_per_s(q), h) for q, h in points])
    assert l_per_h(pump.rated_flow_m3_per_s) == pytest.approx(rated_l_per_h, rel=0.06)
    assert pump.head_m(pump.rated_flow_m3_per_s) == pytest.approx(0.0, abs=1e-9)
    assert pump.fit_error_m <= error_m


# Another speed, and age -------------------------------------------------------------------------

US_GALLON_PER_MIN = 231 * 0.0254**3 / 60  # m³/s; 231 cubic inches, NIST Handbook 44, appendix C
FOOT_M = 0.3048
POINTS = ((0, 2.6), (900, 2.1), (1500, 1.35), (2050, 0.2))


def new_pumps() -> list[Pump]:
    """One from its box, with another exponent too, and one from measured points; invented."""
    box = (pump_from_rating(m3_per_s(1000), 1.5, exponent) for exponent in (2.0, 1.5))
    return [*box, pump_from_points(measured(*POINTS))]


def test_affinity_laws_as_crane_prints_them() -> None:
    """Crane TP-410 example 7.33: 400 gpm at 126 ft and 3500 rpm is 194.3 gpm at 29.73 ft and 1700.

    The point is put on a parabola whose head at no flow is 160 ft.
    """
    flow, head = 400 * US_GALLON_PER_MIN, 126 * FOOT_M
    top = flow / math.sqrt(1 - 126 / 160)
    slower = scaled(pump_from_rating(top, 160 * FOOT_M), 1700 / 3500)
    assert pump_from_rating(top, 160 * FOOT_M).head_m(flow) == pytest.approx(head, rel=1e-9)
    new_flow = 194.3 * US_GALLON_PER_MIN
    assert slower.head_m(new_flow) == pytest.approx(29.73 * FOOT_M, rel=5e-4)


@pytest.mark.parametrize("pump", new_pumps(), ids=["box", "exponent 1.5", "points"])
def test_from_50_to_60_hertz(pump: Pump) -> None:
    """A synchronous motor turns with the mains: flow 1.2 times, head 1.44 times."""
    fast = scaled(pump, 60 / 50)
    assert fast.rated_flow_m3_per_s == pytest.approx(1.2 * pump.rated_flow_m3_per_s, rel=1e-12)
    assert fast.max_head_m == pytest.approx(1.44 * pump.max_head_m, rel=1e-12)
    for n in range(11):
        flow = pump.rated_flow_m3_per_s * n / 10
        assert fast.head_m(1.2 * flow) == pytest.approx(1.44 * pump.head_m(flow), abs=1e-12)
    assert fast.fit_error_m == pytest.approx(1.44 * pump.fit_error_m)


@pytest.mark.parametrize("pump", new_pumps(), ids=["box", "exponent 1.5", "points"])
@pytest.mark.parametrize("left", [0.81, 0.5])
def test_an_aged_pump_gives_that_share_of_its_head(pump: Pump, left: float) -> None:
    """Flow at zero head falls with the root: 0.81 of the head is 0.9 of the flow."""
    old = scaled(pump, 1.0, left)
    assert old.max_head_m == pytest.approx(left * pump.max_head_m, rel=1e-12)
    assert old.rated_flow_m3_per_s == pytest.approx(
        math.sqrt(left) * pump.rated_flow_m3_per_s, rel=1e-12
    )
    assert old.head_m(old.rated_flow_m3_per_s) == pytest.approx(0.0, abs=1e-9)
    for n in range(1, 10):
        flow = old.rated_flow_m3_per_s * n / 10
        assert 0 < old.head_m(flow) < pump.head_m(flow)


@pytest.mark.parametrize("pump", new_pumps(), ids=["box", "exponent 1.5", "points"])
def test_an_unchanged_pump_stays_as_it_is(pump: Pump) -> None:
    assert scaled(pump, 1.0, 1.0) == pump


def test_speed_and_age_come_together() -> None:
    """0.8 of the speed is 0.64 of the head; 0.9 of that is left, and √0.9 of the flow."""
    both = scaled(new_pumps()[0], 0.8, 0.9)
    assert both.max_head_m == pytest.approx(1.5 * 0.64 * 0.9)
    assert l_per_h(both.rated_flow_m3_per_s) == pytest.approx(1000 * 0.8 * math.sqrt(0.9))


@pytest.mark.parametrize(
    ("speed", "left"),
    [
        (0.0, 1.0), (-1.0, 1.0), (11.0, 1.0), (math.nan, 1.0), (math.inf, 1.0),
        (1.0, 0.0), (1.0, -0.5), (1.0, 1.01), (1.0, math.nan),
    ],
)  # fmt: skip
def test_an_impossible_speed_or_age_is_refused(speed: float, left: float) -> None:
    with pytest.raises(SizingError, match="speed must be above 0, remaining head above 0 and up"):
        scaled(new_pumps()[0], speed, left)
