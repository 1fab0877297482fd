"""Figures of the walk as its person reads and gives them: metric or US. What is kept is metric."""

from __future__ import annotations

import msgspec

from monitor.units import KG_PER_LB, LITRES_PER_US_GALLON, celsius, fahrenheit

_SAME = 0.006  # what is shown is rounded to a hundredth


class Shown(msgspec.Struct, frozen=True):
    """How figures are shown; `us` for US units."""

    us: bool = False

    @property
    def mass_unit(self) -> str:
        """What a scale shows."""
        return "lb" if self.us else "kg"

    @property
    def degrees(self) -> str:
        """What a thermometer shows."""
        return "°F" if self.us else "°C"

    @property
    def bucket(self) -> str:
        """How much water goes into one bucket, 5 to 10 L."""
        return "1.5 to 3 gal" if self.us else "5 to 10 L"

    def flow(self, l_per_h: float) -> str:
        """Return a flow from one in L/h, with its unit."""
        return f"{l_per_h / LITRES_PER_US_GALLON:.0f} gal/h" if self.us else f"{l_per_h:.0f} L/h"

    def bare_flow(self, l_per_h: float) -> str:
        """Return the same without the unit, for a range that names it once."""
        return self.flow(l_per_h).partition(" ")[0]

    def rise(self, kelvin: float, digits: int = 1) -> str:
        """Return a difference of temperatures from one in K, with its unit."""
        return f"{kelvin * 9 / 5 if self.us else kelvin:.{digits}f} {self.degrees}"

    def temperature(self, temperature_c: float) -> float:
        """Return a temperature from one in °C as the person reads it."""
        return round(fahrenheit(temperature_c), 2) if self.us else temperature_c

    def temperature_c(self, given: float | None, before_c: float | None) -> float | None:
        """Return in °C what the person gave; what was only confirmed stays as it was."""
        if given is None:
            return None
        if before_c is not None and abs(given - self.temperature(before_c)) < _SAME:
            return before_c
        return round(celsius(given, "degF"), 3) if self.us else given

    def mass(self, kg: float) -> float:
        """Return a mass from one in kg as the person's scale shows it."""
        return kg / KG_PER_LB if self.us else kg

    def mass_kg(self, given: float) -> float:
        """Return in kg what the person's scale shows."""
        return given * KG_PER_LB if self.us else given


METRIC = Shown()
