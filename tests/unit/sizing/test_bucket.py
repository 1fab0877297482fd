"""The bucket test. Sources: JCGM 100:2008 (GUM), ISO 4185:1980.

The worked example, by hand: 9.000 kg at 25 °C on a scale that may be off by 10 g (rectangular) and
shows steps of 5 g, 4100 pulses. Volume m·(1 + ε)/ρ with the buoyancy ε = ρ_air·(1/ρ − 1/ρ_weights);
that term is from memory, only the title page of ISO 4185 was at hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import stdev

import pytest

from monitor.errors import SizingError, UserMistake
from monitor.sizing.bucket import Catch, KFactor, Scale, k_factor

RHO_25 = 997.0476  # kg/m³, IAPWS-95
EXAMPLE = Catch(9.000, 4100)


def litres(mass_kg: float, density: float = RHO_25) -> float:
    """Volume of weighed water by hand, in air of 1.2 kg/m³ against weights of 8000 kg/m³."""
    return mass_kg * (1 + 1.2 * (1 / density - 1 / 8000)) / density * 1000


def shares(found: KFactor) -> dict[str, float]:
    return {row.source: row.share for row in found.budget}


def scattered(share: float) -> list[Catch]:
    """Five buckets of 4100 pulses whose factors scatter by that standard deviation.

    The offsets −1, −1, 0, 1, 1 have a standard deviation of 1.
    """
    return [Catch(9.000 / (1 + share * n), 4100) for n in (-1, -1, 0, 1, 1)]


# The worked example -----------------------------------------------------------------------------


def test_volume_and_factor_of_the_worked_example() -> None:
    """JCGM 100:2008 (GUM), ISO 4185:1980: 9.0361 L and 453.73 pulses a litre."""
    assert litres(9.000) == pytest.approx(9.0361, abs=1e-4)
    found = k_factor([EXAMPLE], 25.0)
    assert found.pulses_per_litre == pytest.approx(453.73, abs=0.01)
    assert 4100 / found.pulses_per_litre == pytest.approx(9.0361, abs=1e-4)


def test_the_scale_of_the_worked_example() -> None:
    """±10 g is 10/√3 g; a step of 5 g is 5/√12 g at each of two readings: 0.068 % of 9 kg."""
    by_hand = math.sqrt(0.010**2 / 3 + 2 * 0.005**2 / 12) / 9.000
    assert by_hand == pytest.approx(0.00068, abs=5e-6)
    assert shares(k_factor([EXAMPLE], 25.0))["scale"] == pytest.approx(by_hand, rel=1e-9)


def test_the_smaller_contributions_of_the_worked_example() -> None:
    """±0.5 K is 0.007 %, evaporation and splashes 0.05 % (from memory), one count of 4100."""
    found = shares(k_factor([EXAMPLE], 25.0))
    assert found["temperature"] == pytest.approx(0.00007, abs=1e-5)
    assert found["evaporation and splashes"] == pytest.approx(0.0005)
    assert found["one count"] == pytest.approx(1 / 4100 / math.sqrt(3), rel=1e-9)


def test_five_buckets_of_the_worked_example() -> None:
    """A scatter of the mean of 0.40 % gives an expanded uncertainty of 0.81 to 0.83 % (k = 2)."""
    found = k_factor(scattered(0.0040 * math.sqrt(5)), 25.0)
    assert shares(found)["scatter of the buckets"] == pytest.approx(0.0040, rel=1e-3)
    assert 0.0081 <= found.expanded <= 0.0083
    assert found.pulses_per_litre == pytest.approx(453.73, abs=0.05)
    assert found.remarks == ()


def test_the_expanded_uncertainty_is_twice_the_root_of_the_squares() -> None:
    """JCGM 100:2008, independent contributions, coverage factor 2."""
    found = k_factor(scattered(0.003), 25.0)
    assert found.expanded == pytest.approx(2 * math.hypot(*shares(found).values()), rel=1e-12)
    assert len(found.budget) == 5


def test_scatter_is_the_deviation_of_the_mean() -> None:
    """Type A of JCGM 100:2008: s/√n."""
    catches = [Catch(9.0, 4100), Catch(8.0, 3660), Catch(10.0, 4530)]
    found = k_factor(catches, 25.0)
    each = [c.pulses / litres(c.mass_kg) for c in catches]
    assert found.each == pytest.approx(each, rel=1e-6)
    mean = sum(each) / 3
    assert found.pulses_per_litre == pytest.approx(mean, rel=1e-6)
    assert shares(found)["scatter of the buckets"] == pytest.approx(
        stdev(each) / math.sqrt(3) / mean, rel=1e-6
    )


# What it depends on -----------------------------------------------------------------------------


def test_a_better_scale_counts_for_less() -> None:
    good = k_factor([EXAMPLE], 25.0, scale=Scale(0.001, 0.0005))
    assert shares(good)["scale"] == pytest.approx(0.00068 / 10, rel=5e-3)
    perfect = k_factor([EXAMPLE], 25.0, scale=Scale(0.0, 0.0))
    assert shares(perfect)["scale"] == 0.0


@pytest.mark.parametrize(
    ("celsius", "salinity", "density"),
    [(10.0, 0.0, 999.7025), (35.0, 0.0, 994.0333), (25.0, 35.16504, 1023.3431)],
)
def test_the_same_mass_of_other_water_is_another_volume(
    celsius: float, salinity: float, density: float
) -> None:
    """IAPWS-95; TEOS-10 for sea water."""
    found = k_factor([EXAMPLE], celsius, salinity)
    assert found.pulses_per_litre == pytest.approx(4100 / litres(9.0, density), rel=2e-5)


def test_a_temperature_that_is_less_sure_counts_for_more() -> None:
    """The half-width is rectangular: 3 K near 25 °C are 3·0.257/997/√3 (IAPWS-95)."""
    found = shares(k_factor([EXAMPLE], 25.0, temperature_error_c=3.0))
    assert found["temperature"] == pytest.approx(3 * 0.257 / 997 / math.sqrt(3), rel=0.1)


@pytest.mark.parametrize(("celsius", "salinity"), [(41.0, 0.0), (-1.0, 0.0), (25.0, 50.0)])
def test_water_outside_the_tables_is_refused(celsius: float, salinity: float) -> None:
    with pytest.raises(SizingError):
        k_factor([EXAMPLE], celsius, salinity)


# Remarks ----------------------------------------------------------------------------------------


def test_one_bucket_asks_for_more() -> None:
    found = k_factor([EXAMPLE], 25.0)
    (remark,) = found.remarks
    assert "Three buckets or more show how well the test repeats" in remark
    assert shares(found)["scatter of the buckets"] == 0.01  # unknown; taken from memory


@pytest.mark.parametrize(("count", "asked"), [(1, True), (2, True), (3, False), (4, False)])
def test_three_buckets_are_enough(count: int, asked: bool) -> None:
    remarks = k_factor([EXAMPLE] * count, 25.0).remarks
    assert any("Three buckets or more" in remark for remark in remarks) is asked


@pytest.mark.parametrize(("pulses", "said"), [(199, True), (200, False)])
def test_few_pulses_ask_for_more_water(pulses: int, said: bool) -> None:
    remarks = k_factor([Catch(0.44, pulses)] * 3, 25.0).remarks
    assert any("Fewer than 200 pulses" in remark for remark in remarks) is said


@pytest.mark.parametrize(("last", "said"), [(4290, False), (4320, True), (3890, True)])
def test_buckets_that_differ_by_more_than_five_per_cent(last: int, said: bool) -> None:
    remarks = k_factor([EXAMPLE, EXAMPLE, Catch(9.0, last)], 25.0).remarks
    assert any("differ by more than 5 %" in remark for remark in remarks) is said


# What cannot be ---------------------------------------------------------------------------------


def test_no_bucket_is_refused() -> None:
    with pytest.raises(UserMistake, match="no bucket given; weigh at least one"):
        k_factor([], 25.0)


@pytest.mark.parametrize(
    "catches",
    [
        [EXAMPLE, Catch(0.0, 4100)],
        [EXAMPLE, Catch(-9.0, 4100)],
        [EXAMPLE, Catch(0.04, 4100)],
        [EXAMPLE, Catch(1001.0, 4100)],
        [EXAMPLE, Catch(math.nan, 4100)],
        [EXAMPLE, Catch(math.inf, 4100)],
        [EXAMPLE, Catch(9.0, 0)],
        [EXAMPLE, Catch(9.0, -4100)],
    ],
    ids=str,
)
def test_an_impossible_bucket_is_named(catches: Sequence[Catch]) -> None:
    with pytest.raises(UserMistake) as caught:
        k_factor(catches, 25.0)
    line = str(caught.value)
    assert line.startswith("bucket 2: ")
    assert "expected 0.05 to 1000 kg of water and at least one pulse" in line
    assert "\n" not in line
