"""Factors between units, against the definitions of the units.

Sources: NIST Handbook 44, appendix C (US gallon of 231 cubic inches, inch of 25.4 mm exactly);
NIST Special Publication 811, appendix B (factors to SI, seven digits); CRC Handbook, density of
water. The temperatures are the fixed points everybody knows.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from monitor import units


def test_the_us_gallon_is_231_cubic_inches() -> None:
    cubic_inch_in_litres = Decimal("0.254") ** 3
    assert 231 * cubic_inch_in_litres == Decimal("3.785411784")
    assert pytest.approx(3.785411784, rel=1e-15) == units.LITRES_PER_US_GALLON


@pytest.mark.parametrize(
    ("unit", "m3_per_s"),
    [
        ("m3/s", 1.0),
        ("m3/h", 2.777778e-4),  # SP 811: hour 3.6 E+03 s
        ("L/s", 1.0e-3),
        ("L/min", 1.666667e-5),
        ("L/h", 2.777778e-7),
        ("gal/min", 6.309020e-5),  # SP 811: gallon (US) per minute
        ("gal/h", 1.051503e-6),
    ],
)
def test_a_flow_unit_in_si(unit: str, m3_per_s: float) -> None:
    assert units.FLOW_UNITS_IN_M3_PER_S[unit] == pytest.approx(m3_per_s, rel=5e-7)


@pytest.mark.parametrize("kg_per_m3", [999.84, 999.97, 997.05, 994.03])  # 0, 4, 25 and 35 °C
@pytest.mark.parametrize(("unit", "seconds"), [("kg/s", 1.0), ("kg/h", 3600.0)])
def test_a_mass_flow_is_that_of_fresh_water_within_what_is_said(
    unit: str, seconds: float, kg_per_m3: float
) -> None:
    assert units.FLOW_UNITS_IN_M3_PER_S[unit] == pytest.approx(1 / kg_per_m3 / seconds, rel=0.006)


def test_every_flow_unit_is_checked_here() -> None:
    checked = {"m3/s", "m3/h", "L/s", "L/min", "L/h", "kg/s", "kg/h", "gal/min", "gal/h"}
    assert set(units.FLOW_UNITS_IN_M3_PER_S) == checked


def test_a_thousand_litres_an_hour_in_si_and_back() -> None:
    assert units.m3_per_s(1000.0) == pytest.approx(2.777778e-4, rel=5e-7)
    assert units.l_per_h(2.5e-4) == pytest.approx(900.0)
    for flow_l_per_h in (0.0, 1.0, 642.5, 1800.0, 1e6):
        assert units.l_per_h(units.m3_per_s(flow_l_per_h)) == pytest.approx(flow_l_per_h)


def test_litres_an_hour_in_us_gallons_an_hour() -> None:
    # 264.172 gal/h to 1000 L/h: 1000 / 3.785411784.
    assert units.us_gal_per_h(1.0 / 3600.0) == pytest.approx(264.1720524, rel=1e-9)


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"), [(-40.0, -40.0), (0.0, 32.0), (25.0, 77.0), (37.0, 98.6), (100, 212)]
)
def test_fahrenheit(celsius: float, fahrenheit: float) -> None:
    assert units.fahrenheit(celsius) == pytest.approx(fahrenheit)
    assert units.celsius(fahrenheit, "degF") == pytest.approx(celsius)


@pytest.mark.parametrize(
    ("value", "unit", "celsius"),
    [(273.15, "K", 0.0), (298.15, "K", 25.0), (0.0, "K", -273.15), (24.5, "degC", 24.5)],
)
def test_celsius_from_other_units(value: float, unit: str, celsius: float) -> None:
    assert units.celsius(value, unit) == pytest.approx(celsius)


def test_a_temperature_in_an_unknown_unit_is_refused() -> None:
    with pytest.raises(KeyError):
        units.celsius(20.0, "degR")


@pytest.mark.parametrize("unit", units.TEMPERATURE_UNITS)
def test_every_temperature_unit_converts(unit: str) -> None:
    assert isinstance(units.celsius(300.0, unit), float)


def test_standard_gravity() -> None:
    assert units.GRAVITY_M_PER_S2 == 9.80665  # 3rd CGPM, 1901, exact


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0, "0 s"),
        (1.0, "1 s"),
        (40.0, "40 s"),
        (119.0, "119 s"),
        (120.0, "2 min"),
        (720.0, "12 min"),
        (7140.0, "119 min"),
        (7200.0, "2 h"),
        (18000.0, "5 h"),
        (47 * 3600.0, "47 h"),
        (48 * 3600.0, "2 days"),
        (9 * 86400.0, "9 days"),
        (-90.0, "90 s"),
    ],
)
def test_a_length_of_time_as_a_person_would_say_it(seconds: float, words: str) -> None:
    assert units.duration_words(seconds) == words
