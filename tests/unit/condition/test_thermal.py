"""Temperature over hours and days: thermostat, stuck heaters, rate, band, own cooling."""

from __future__ import annotations

import math

import pytest

from monitor.condition.thermal import Band, Thermal, follow_temperature, hours_until
from monitor.records import Cause, Note

HOUR = 3600.0


class Tank:
    """A tank looked at every five minutes."""

    def __init__(self, band: Band | None = None) -> None:
        self.state, self.now_s, self.band = Thermal(), 0.0, band or Band(22.0, 28.0)
        self.notes: list[Note] = []
        self.value = 25.0

    def hold(self, hours: float, runs: bool = True) -> Tank:
        """A thermostat's saw-tooth of half a kelvin."""
        for n in range(int(hours * 12)):
            self.value = 25.0 + 0.25 * math.sin(n / 6)
            self._look(runs)
        return self

    def go(self, hours: float, k_per_h: float, runs: bool = True) -> Tank:
        for _ in range(int(hours * 12)):
            self.value += k_per_h / 12
            self._look(runs)
        return self

    def _look(self, runs: bool) -> None:
        self.now_s += 300.0
        self.state, note = follow_temperature(self.state, self.band, self.value, self.now_s, runs)
        if note is not None:
            self.notes.append(note)

    def causes(self) -> list[Cause]:
        return [n.cause for n in self.notes]


def test_a_thermostat_is_no_news() -> None:
    tank = Tank().hold(72)
    assert tank.notes == []
    assert tank.state.in_band == 1.0


def test_a_heater_that_never_stops_is_told_once() -> None:
    tank = Tank().hold(48).go(6, 0.4)
    assert tank.causes() == [Cause.HEATER_STUCK_ON]
    assert "stuck on" in tank.notes[0].evidence


def test_a_heater_that_failed_is_told_once() -> None:
    tank = Tank().hold(48).go(6, -0.3)
    assert tank.causes() == [Cause.HEATER_STUCK_OFF]


def test_a_slow_move_beyond_a_day_s_allowance_is_told() -> None:
    """A public-aquarium veterinary text: no more than 2 K up or 1 K down a day."""
    tank = Tank().hold(30)
    for _ in range(20):  # down 1.3 K in a day, in steps too small for a stuck heater
        tank.go(0.75, -0.08).go(0.75, 0.0001)
    assert Cause.TEMPERATURE_RATE in tank.causes() or Cause.HEATER_STUCK_OFF in tank.causes()


def test_still_water_shows_the_room_and_is_not_counted() -> None:
    tank = Tank().hold(48).go(6, -0.5, runs=False)
    assert tank.notes == []
    assert tank.state.in_band == 1.0


def test_time_out_of_the_band_is_counted() -> None:
    tank = Tank(Band(24.9, 25.1)).hold(72)
    assert tank.state.in_band is not None
    assert 0.0 < tank.state.in_band < 0.9
    assert Tank(Band()).hold(24).state.in_band is None


def test_hours_until_a_limit_by_newtons_law() -> None:
    """25 °C cooling at 0.3 K/h towards 16 or 22 °C, down to 23 °C: by hand 30·ln(9/7) = 7.5 h and
    10·ln(3/1) = 11.0 h."""
    found = hours_until(23.0, 25.0, 0.3)
    assert found is not None
    assert found[0] == pytest.approx(30 * math.log(9 / 7))
    assert found[1] == pytest.approx(10 * math.log(3))


def test_a_limit_that_is_passed_or_never_reached_has_no_hours() -> None:
    assert hours_until(26.0, 25.0, 0.3) is None
    assert hours_until(10.0, 25.0, 0.3) is None
    assert hours_until(22.0, 25.0, 0.0) is None


def test_the_own_cooling_is_learned_from_resting_heaters() -> None:
    tank = Tank()
    for _ in range(12):
        tank.go(1.0, 0.5).go(1.0, -0.5)
    assert tank.state.falling == pytest.approx(0.5, rel=0.2)
