"""The generator of lives against the closed forms of Hermia's laws, before it judges anything.

Hermia, Transactions of the Institution of Chemical Engineers 60 (1982) 183, constant pressure, flux
W with W0 = 1e-3 m/s: complete e^(−0.01 t), standard (1 + 10·W0·t/2)^−2, intermediate
1/(1 + 10·W0·t), cake (1 + 2·1e4·W0²·t)^−½.
"""

from __future__ import annotations

import math

import pytest

from tests.support.lives import LAWS, Body, due_resistance, flow, grown, live

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
