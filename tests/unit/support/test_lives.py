"""The generator of lives against the closed forms of Hermia's laws, before it judges anything.

Hermia, Transactions of the Institution of Chemical Engineers 60 (1982) 183, constant pressure, flux
W with W0 = 1e-3 m/s: complete e^(−0.01 t), standard (1 + 10·W0·t/2)^−2, intermediate
1/(1 + 10·W0·t), cake (1 + 2·1e4·W0²·t)^−½.
"""

from __future__ import annotations

import functools
import itertools
import math

import pytest

from tests.support.lives import (
    LAWS,
    MISHAPS,
    Body,
    Life,
    Shown,
    due_resistance,
    flow,
    grown,
    live,
    shown,
)

SHARES = {
    "complete": {10: 0.904837, 50: 0.606531, 100: 0.367879},
    "standard": {10: 0.907029, 50: 0.640000, 100: 0.444444},
    "intermediate": {10: 0.909091, 50: 0.666667, 100: 0.500000},
    "cake": {10: 0.912871, 50: 0.707107, 100: 0.577350},
}


@pytest.mark.parametrize("law", list(LAWS))
def test_growth_gives_hermias_closed_forms(law: str) -> None:
    """At constant pressure flux is 1/R; with R0 = 1 and 0.01 a second each law's own K drops out."""
    for seconds, share in SHARES[law].items():
        resistance, steps = 1.0, 20_000
        for _ in range(steps):
            flux = 1.0 / resistance
            resistance = grown(resistance, LAWS[law], 0.01, flux, seconds / steps)
        assert 1.0 / resistance == pytest.approx(share, rel=2e-4)


def test_flow_balances_pump_and_circuit() -> None:
    body = Body(2.0, 0.7, 1.1)
    q = flow(body, 0.4)
    assert 1 - q**2 == pytest.approx(0.7 * q**1.75 + 1.1 * q * q + 0.4 * q, abs=1e-9)
    assert flow(body, due_resistance(body, flow(body, 0.0), 0.75)) == pytest.approx(
        0.75 * flow(body, 0.0), rel=1e-6
    )


def test_the_same_seed_is_the_same_life() -> None:
    one, two = live(3, days=3), live(3, days=3)
    assert one == two
    assert one != live(4, days=3)


def test_lives_end_at_due_and_begin_clean() -> None:
    life = live(2)
    assert life.due_minute is not None
    begin = [f for f in life.flows[:120] if f > 0]
    end = [f for f in life.flows[life.due_minute - 600 : life.due_minute] if f > 0]
    assert sum(begin) / len(begin) == pytest.approx(life.clean_l_per_h, rel=0.06)
    assert sum(end) / len(end) == pytest.approx(0.75 * life.clean_l_per_h, rel=0.06)
    assert math.isfinite(max(life.flows))


@functools.cache
def befell(kind: str) -> tuple[Life, list[Shown], list[Shown]]:
    """A life with this fault; what is shown in the minute before it, and during it."""
    life = live(list(MISHAPS).index(kind))
    fault = life.mishaps[-1]
    assert fault.kind == kind
    values = [v for v in shown(life, -(-fault.end_s // 60) + 2) if v.time_s > fault.start_s - 60]
    before = [v for v in values if v.time_s <= fault.start_s]
    return life, before, [v for v in values if fault.start_s < v.time_s <= fault.end_s]


def mean_share(life: Life, values: list[Shown]) -> float:
    flows = [v.flow_l_per_h for v in values if v.flow_l_per_h is not None]
    assert len(flows) == len(values)
    return sum(flows) / len(flows) / life.clean_l_per_h


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [("pump stalled", 0, 0), ("kink", 0.3, 0.4), ("blocked", 0.06, 0.1), ("air", 0.33, 0.47),
     ("hose off", 1.29, 1.46), ("jammed sensor", 0, 0)],
)  # fmt: skip
def test_a_fault_shows_its_share_of_clean_second_by_second(
    kind: str, low: float, high: float
) -> None:
    life, before, during = befell(kind)
    fault = life.mishaps[-1]
    assert life.due_minute is not None
    assert 0.25 <= fault.start_s / 60 / life.due_minute <= 0.75
    assert 2400 <= fault.end_s - fault.start_s <= 3600
    assert len(during) == fault.end_s - fault.start_s
    assert len(before) == 60
    assert {v.span_s for v in before + during} == {1.0}
    assert 0.75 < mean_share(life, before) < 1.05
    assert low <= mean_share(life, during) <= high


def test_still_water_cools_by_newtons_law_and_a_jammed_meter_does_not_cool_it() -> None:
    """After one time constant 1/e of the distance to the room is left, 36.8 %."""
    life, before, during = befell("pump stalled")
    tank_c = sum(v.temperature_c or 0.0 for v in before) / len(before)
    at = round(life.outlet.constant_s)
    near = [v.temperature_c or 0.0 for v in during[at - 15 : at + 15]]
    left = (sum(near) / len(near) - life.outlet.room_c) / (tank_c - life.outlet.room_c)
    assert left == pytest.approx(0.368, abs=0.015)
    _, before, during = befell("jammed sensor")
    tank_c = sum(v.temperature_c or 0.0 for v in before) / len(before)
    assert all(abs((v.temperature_c or 0.0) - tank_c) < 0.35 for v in during)


def test_a_silent_meter_and_a_missing_probe_show_nothing_and_the_other_goes_on() -> None:
    _, _, during = befell("meter silent")
    assert {v.flow_l_per_h for v in during} == {None}
    assert None not in {v.temperature_c for v in during}
    life, _, during = befell("probe unplugged")
    assert {v.temperature_c for v in during} == {None}
    assert mean_share(life, during) > 0.75


def test_the_ordinary_stop_lasts_45_minutes_on_the_second_day_and_time_only_goes_forward() -> None:
    life = live(5)
    stop = life.mishaps[0]
    assert 1440 * 60 <= stop.start_s < 2880 * 60
    values = list(shown(life, 2880))
    times = [v.time_s for v in values]
    assert times == sorted(set(times))
    assert all(b.time_s - a.time_s == b.span_s for a, b in itertools.pairwise(values)), (
        "each value speaks for the span since the last"
    )
    still = [v for v in values if v.flow_l_per_h == 0 and v.span_s == 1.0]
    assert len(still) == 2700


def test_water_that_rests_for_feeding_cools_too() -> None:
    life = next(one for one in map(live, range(20)) if 0.0 in one.flows[:1440])
    begin = life.flows.index(0.0)
    assert life.temperatures[begin + 9] < life.temperatures[begin - 1] - 0.3
