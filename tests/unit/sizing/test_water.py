"""Fresh and sea water against published tables, 0 to 40 °C."""

from __future__ import annotations

import math

import pytest

from monitor.errors import SizingError
from monitor.sizing.water import (
    fresh_density_kg_per_m3,
    fresh_viscosity_pa_s,
    sea_density_kg_per_m3,
    sea_viscosity_pa_s,
    water,
)

# IAPWS R12-08 (viscosity) and IAPWS-95 (density) at 101.325 kPa, computed with the libraries iapws
# and chemicals: °C, µPa·s, kg/m³.
IAPWS = [
    (0, 1791.756, 999.8431),
    (5, 1518.173, 999.9666),
    (10, 1305.900, 999.7025),
    (15, 1137.568, 999.1026),
    (20, 1001.596, 998.2072),
    (25, 890.022, 997.0476),
    (30, 797.222, 995.6495),
    (35, 719.126, 994.0333),
    (40, 652.729, 992.2164),
]
# Absolute salinity of standard sea water, practical salinity 35 (TEOS-10 manual, IOC 2010).
STANDARD_SEA_G_PER_KG = 35.16504


@pytest.mark.parametrize(("celsius", "micro_pa_s", "kg_per_m3"), IAPWS)
def test_fresh_water_agrees_with_iapws(celsius: float, micro_pa_s: float, kg_per_m3: float) -> None:
    fresh = water(celsius)
    assert fresh.viscosity_pa_s * 1e6 == pytest.approx(micro_pa_s, rel=4e-5)
    assert fresh.density_kg_per_m3 == pytest.approx(kg_per_m3, abs=0.0015)


@pytest.mark.parametrize(
    ("kelvin", "micro_pa_s"), [(260.0, 3058.36075), (298.15, 889.996774), (375.0, 276.207245)]
)
def test_viscosity_equation_gives_the_check_values_of_its_release(
    kelvin: float, micro_pa_s: float
) -> None:
    """IAPWS SR6-08(2011), table of check values for 0.1 MPa; two lie outside the tank's range."""
    assert fresh_viscosity_pa_s(kelvin - 273.15) * 1e6 == pytest.approx(micro_pa_s, rel=1e-8)


@pytest.mark.parametrize(
    ("kelvin", "micro_pa_s"), [(280, 1433.7), (290, 1084.0), (300, 853.84), (310, 693.54)]
)
def test_viscosity_agrees_with_perry(kelvin: float, micro_pa_s: float) -> None:
    """Perry's Chemical Engineers' Handbook, table 2-135 (saturated water)."""
    assert fresh_viscosity_pa_s(kelvin - 273.15) * 1e6 == pytest.approx(micro_pa_s, rel=5e-4)


@pytest.mark.parametrize("celsius", range(0, 41, 4))
def test_viscosity_agrees_with_an_older_correlation(celsius: float) -> None:
    """Kestin, Sokolov and Wakeham 1978, coefficients from memory; within 0.083 % of IAPWS."""
    d = 20.0 - celsius
    decades = d / (celsius + 96.0) * (1.2364 - 1.37e-3 * d + 5.7e-6 * d * d)
    assert fresh_viscosity_pa_s(celsius) == pytest.approx(1.002e-3 * 10**decades, rel=1e-3)


def test_density_gives_the_check_value_of_the_iapws_release() -> None:
    """IAPWS SR6-08(2011): 997.047013 kg/m³ at 298.15 K and 0.1 MPa."""
    assert fresh_density_kg_per_m3(25.0) == pytest.approx(997.047013, abs=1e-4)


def test_density_gives_the_other_check_value_of_the_release() -> None:
    """IAPWS SR6-08(2011): 997.068360 kg/m³ at 260 K, supercooled, where no tank is."""
    assert fresh_density_kg_per_m3(260.0 - 273.15) == pytest.approx(997.068360, abs=1e-4)
    with pytest.raises(SizingError, match="expected 0 to 40 °C"):
        water(260.0 - 273.15)


@pytest.mark.parametrize("celsius", range(0, 41, 4))
def test_density_agrees_with_tanaka(celsius: float) -> None:
    """Tanaka et al. 2001, coefficients from memory; within 0.0012 kg/m³ of IAPWS-95."""
    t = float(celsius)
    by_hand = 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))
    assert fresh_density_kg_per_m3(t) == pytest.approx(by_hand, abs=0.003)


def test_water_is_densest_at_four_degrees() -> None:
    """Tanaka et al. 2001: 999.974950 kg/m³ at 3.983035 °C and 101 325 Pa, 0.0007 less at 0.1 MPa."""
    densest = fresh_density_kg_per_m3(3.983035)
    assert densest == pytest.approx(999.974950, abs=1e-3)
    assert fresh_density_kg_per_m3(3.5) < densest > fresh_density_kg_per_m3(4.5)


@pytest.mark.parametrize(
    ("celsius", "micro_pa_s"),
    [(0, 1905.56), (10, 1396.77), (20, 1076.63), (25, 958.83), (30, 860.65), (40, 707.38)],
)
def test_sea_viscosity_agrees_with_sharqawy(celsius: float, micro_pa_s: float) -> None:
    """Sharqawy 2010, equations 22 and 23 with that paper's own pure water, by hand; 35 g/kg."""
    assert sea_viscosity_pa_s(celsius, 35.0) * 1e6 == pytest.approx(micro_pa_s, rel=2e-4)


@pytest.mark.parametrize(("celsius", "micro_pa_s"), [(20, 1071.8), (25, 956.2)])
def test_sea_viscosity_agrees_with_millero(celsius: float, micro_pa_s: float) -> None:
    """Millero 1974, 35 g/kg, by hand: lower than Sharqawy by 0.3 to 0.5 %."""
    assert sea_viscosity_pa_s(celsius, 35.0) * 1e6 == pytest.approx(micro_pa_s, rel=6e-3)


def test_sea_viscosity_by_the_check_value_of_millero() -> None:
    """Millero 1974: 9.6541e-4 Pa·s at 25 °C and a salinity of 40; 0.3 to 0.5 % below Sharqawy."""
    assert sea_viscosity_pa_s(25.0, 40.0) == pytest.approx(9.6541e-4, rel=7e-3)


@pytest.mark.parametrize("celsius", [0.0, 5.0, 15.0, 25.0, 35.0, 40.0])
@pytest.mark.parametrize("salinity", [5.0, 15.0, 40.0])
def test_sea_viscosity_follows_sharqawys_equations(celsius: float, salinity: float) -> None:
    """Sharqawy 2010, equations 22 and 23, with that paper's own pure water, by hand."""
    t, s = celsius, salinity / 1000
    pure = 4.2844e-5 + 1 / (0.157 * (t + 64.993) ** 2 - 91.296)
    a = 1.541 + 1.998e-2 * t - 9.52e-5 * t * t
    b = 7.974 - 7.561e-2 * t + 4.724e-4 * t * t
    by_hand = pure * (1 + a * s + b * s * s)
    assert sea_viscosity_pa_s(celsius, salinity) == pytest.approx(by_hand, rel=2e-4)


@pytest.mark.parametrize(
    ("celsius", "kg_per_m3"),
    [
        (0, 1028.1070),
        (5, 1027.6757),
        (10, 1026.9541),
        (20, 1024.7654),
        (25, 1023.3431),
        (30, 1021.7259),
    ],
)
def test_sea_density_agrees_with_teos_10(celsius: float, kg_per_m3: float) -> None:
    """TEOS-10, standard sea water at the surface, computed with the library gsw."""
    density = sea_density_kg_per_m3(celsius, STANDARD_SEA_G_PER_KG)
    assert density == pytest.approx(kg_per_m3, abs=0.01)


@pytest.mark.parametrize(("celsius", "kg_per_m3"), [(5, 1027.67547), (25, 1023.34306)])
def test_sea_density_gives_the_check_values_of_eos_80(celsius: float, kg_per_m3: float) -> None:
    """EOS-80 at practical salinity 35 and the surface; check values from memory."""
    density = sea_density_kg_per_m3(celsius, STANDARD_SEA_G_PER_KG)
    assert density == pytest.approx(kg_per_m3, abs=0.005)


@pytest.mark.parametrize("celsius", [0.0, 17.0, 40.0])
def test_no_salt_gives_fresh_water(celsius: float) -> None:
    assert sea_density_kg_per_m3(celsius, 0.0) == fresh_density_kg_per_m3(celsius)
    assert sea_viscosity_pa_s(celsius, 0.0) == fresh_viscosity_pa_s(celsius)


@pytest.mark.parametrize("celsius", [-0.1, 40.1, math.nan, math.inf])
def test_a_temperature_outside_the_tables_is_refused(celsius: float) -> None:
    with pytest.raises(SizingError, match=r"water temperature .* °C: expected 0 to 40 °C"):
        water(celsius)


@pytest.mark.parametrize("salinity", [-0.1, 45.1, math.nan])
def test_a_salinity_outside_the_tables_is_refused(salinity: float) -> None:
    with pytest.raises(SizingError, match=r"salinity .* g/kg: expected 0 \(fresh\) to 45 g/kg"):
        water(25.0, salinity)


@pytest.mark.parametrize(("celsius", "salinity"), [(0, 0), (0, 45), (40, 0), (40, 45)])
def test_the_corners_of_the_range_are_accepted(celsius: float, salinity: float) -> None:
    assert water(celsius, salinity).density_kg_per_m3 > 990
