"""Density and viscosity of fresh and sea water at atmospheric pressure.

Sources:
    [1] IAPWS SR6-08(2011), Revised Supplementary Release on Properties of Liquid Water at
        0.1 MPa: specific volume, and equation 7 for viscosity.
    [2] Sharqawy, Lienhard and Zubair, Desalination and Water Treatment 16 (2010) 354, equations
        22 and 23 (viscosity of sea water, ±1.5 %).
    [3] Millero and Poisson, Deep-Sea Research 28A (1981) 625, the one-atmosphere international
        equation of state of sea water (EOS-80). Coefficients from memory, checked against TEOS-10
        figures in the tests.
"""

from __future__ import annotations

import msgspec

from monitor.errors import SizingError
from monitor.sizing.quantity import outside, power

ZERO_CELSIUS_K = 273.15
MIN_TEMPERATURE_C, MAX_TEMPERATURE_C = 0.0, 40.0
MIN_SALINITY_G_PER_KG, MAX_SALINITY_G_PER_KG = 0.0, 45.0

# SR6-08: coefficients of the specific volume, each (factor, exponent).
_GAS_CONSTANT_J_PER_KG_K = 461.51805
_REDUCING_K = 10.0
_PRESSURE_PA = 1e5
_VOLUME_CONSTANT = 1.93763157e-2
_VOLUME_A = (
    (6.74458446e3, 4),
    (-2.22521604e5, 5),
    (1.00231247e8, 7),
    (-1.63552118e9, 8),
    (8.32299658e9, 9),
)
_VOLUME_B = (
    (5.78545292e-3, 1),
    (-1.53195665e-2, 2),
    (3.11337859e-2, 3),
    (-4.23546241e-2, 4),
    (3.38713507e-2, 5),
    (-1.19946761e-2, 6),
)

# SP = SA · 35 / 35.16504 for standard sea water (TEOS-10 manual, IOC 2010, section 2.4).
_PRACTICAL_PER_ABSOLUTE = 35.0 / 35.16504


class Water(msgspec.Struct, frozen=True):
    """What the friction laws need of the water: density in kg/m³, dynamic viscosity in Pa·s."""

    density_kg_per_m3: float
    viscosity_pa_s: float


def water(temperature_c: float, salinity_g_per_kg: float = 0.0) -> Water:
    """Return the water of a tank.

    Args:
        temperature_c: 0 to 40 °C.
        salinity_g_per_kg: dissolved salt, 0 (fresh) to 45 g/kg; natural sea water is near 35.

    Raises:
        SizingError: outside those ranges.
    """
    if outside(temperature_c, MIN_TEMPERATURE_C, MAX_TEMPERATURE_C):
        raise SizingError(
            f"water temperature {temperature_c} °C: expected 0 to 40 °C, where the water "
            "tables of the model hold"
        )
    if outside(salinity_g_per_kg, MIN_SALINITY_G_PER_KG, MAX_SALINITY_G_PER_KG):
        raise SizingError(
            f"salinity {salinity_g_per_kg} g/kg: expected 0 (fresh) to 45 g/kg; sea water is near 35"
        )
    return Water(
        sea_density_kg_per_m3(temperature_c, salinity_g_per_kg),
        sea_viscosity_pa_s(temperature_c, salinity_g_per_kg),
    )


def fresh_viscosity_pa_s(temperature_c: float) -> float:
    """Return the dynamic viscosity of fresh water in Pa·s, 0 to 40 °C [1], equation 7."""
    t = (temperature_c + ZERO_CELSIUS_K) / 300.0
    return 1e-6 * (
        280.68 * power(t, -1.9)
        + 511.45 * power(t, -7.7)
        + 61.131 * power(t, -19.6)
        + 0.45903 * power(t, -40.0)
    )


def fresh_density_kg_per_m3(temperature_c: float) -> float:
    """Return the density of fresh water in kg/m³, 0 to 40 °C [1], equation for the volume."""
    temperature_k = temperature_c + ZERO_CELSIUS_K
    a = _REDUCING_K / (593.0 - temperature_k)
    b = _REDUCING_K / (temperature_k - 232.0)
    bracket = _VOLUME_CONSTANT
    for factor, exponent in _VOLUME_A:
        bracket = bracket + factor * a**exponent
    for factor, exponent in _VOLUME_B:
        bracket = bracket + factor * b**exponent
    return 1.0 / (_GAS_CONSTANT_J_PER_KG_K * _REDUCING_K / _PRESSURE_PA * bracket)


def sea_viscosity_pa_s(temperature_c: float, salinity_g_per_kg: float) -> float:
    """Return the dynamic viscosity in Pa·s: fresh water [1] times the salt factor [2]."""
    t, s = temperature_c, salinity_g_per_kg / 1000.0
    a = 1.541 + 1.998e-2 * t - 9.52e-5 * t * t
    b = 7.974 - 7.561e-2 * t + 4.724e-4 * t * t
    return fresh_viscosity_pa_s(t) * (1.0 + a * s + b * s * s)


def sea_density_kg_per_m3(temperature_c: float, salinity_g_per_kg: float) -> float:
    """Return the density in kg/m³: fresh water [1] plus the salt terms of EOS-80 [3]."""
    t, s = temperature_c, salinity_g_per_kg * _PRACTICAL_PER_ABSOLUTE
    a = 0.824493 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    b = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6)
    return fresh_density_kg_per_m3(t) + a * s + b * power(s, 1.5) + 4.8314e-4 * s * s
