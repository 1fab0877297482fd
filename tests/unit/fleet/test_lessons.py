"""What a fleet teaches, against a published trial, scipy's estimator, and lives whose truth is known."""

from __future__ import annotations

import random
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import CensoredData, ecdf

from monitor.fleet.lessons import (
    Question,
    Record,
    Run,
    curve,
    lasting,
    lesson,
    lessons,
    runs,
    words,
)

DAY_S = 86400.0


def run(days: float, ended: bool = True, name: str = "s/f") -> Run:
    return Run(name, "m", "normal", days, ended)


# Weeks in remission under 6-mercaptopurine: Freireich and others, Blood 21 (1963) 699, as listed in Gehan,
# Biometrika 52 (1965) 203 and in Cox and Oakes, Analysis of Survival Data (1984), page 7.
RELAPSED = (6, 6, 6, 7, 10, 13, 16, 22, 23)
STILL_WELL = (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
TRIAL = [*(run(t) for t in RELAPSED), *(run(t, False) for t in STILL_WELL)]


def test_the_trial_of_1963() -> None:
    """Number at risk and share by hand: each factor is 1 - relapses / at risk of the listed weeks."""
    steps = curve(TRIAL)
    assert [(s.days, s.at_risk, s.ended) for s in steps] == [
        (6, 21, 3), (7, 17, 1), (10, 15, 1), (13, 12, 1), (16, 11, 1), (22, 7, 1), (23, 6, 1),
    ]  # fmt: skip
    by_hand = np.cumprod([18 / 21, 16 / 17, 14 / 15, 11 / 12, 10 / 11, 6 / 7, 5 / 6])
    assert [s.share for s in steps] == pytest.approx(by_hand)
    # The values printed for this trial everywhere, to three digits (from memory).
    assert [round(s.share, 3) for s in steps] == [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    assert lasting(steps, 0.5) == 23
    assert lasting(steps, 0.4) is None


@given(
    st.lists(st.tuples(st.integers(1, 60), st.booleans()), min_size=1, max_size=60).filter(
        lambda runs: any(ended for _, ended in runs)
    )
)
def test_the_curve_and_its_bounds_are_those_of_scipy(drawn: list[tuple[int, bool]]) -> None:
    days = [d for d, _ in drawn]
    theirs = ecdf(CensoredData.right_censored(days, [not e for _, e in drawn])).sf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it says that the bounds of 0 and 1 do not exist
        bounds = theirs.confidence_interval(method="log-log")
    for step in curve([run(d, e) for d, e in drawn]):
        at = list(theirs.quantiles).index(step.days)
        assert step.share == pytest.approx(theirs.probabilities[at], abs=1e-12)
        if step.low is not None and step.high is not None:
            assert step.low == pytest.approx(bounds.low.probabilities[at], abs=1e-9)
            assert step.high == pytest.approx(bounds.high.probabilities[at], abs=1e-9)


def test_what_still_runs_is_not_left_out() -> None:
    """Lives of a lognormal with median 40 days, watched for 60 days on average: 100 fleets of 120, seed 2.

    Bounds of 95 % hold the truth in 88 to 100 of them (four standard errors of the binomial below 95); the
    middle of those that ended alone is too short in nearly all.
    """
    chance, inside, short = random.Random(2), 0, 0
    for _ in range(100):
        drawn = []
        for n in range(120):
            life, watched = 40.0 * chance.lognormvariate(0.0, 0.5), chance.expovariate(1 / 60)
            drawn.append(run(min(life, watched), life <= watched, f"s{n}/f"))
        found = lesson("m", "", Question.LIMIT, drawn)
        assert found.median_low_days is not None
        assert found.median_high_days is not None
        inside += found.median_low_days <= 40.0 <= found.median_high_days
        ended = sorted(r.days for r in drawn if r.ended)
        short += ended[len(ended) // 2] < 40.0
        assert found.sure.startswith("well")
    assert inside >= 88
    assert short >= 95


def test_runs_of_a_filter() -> None:
    record = Record(
        "s", "f", (10 * DAY_S, 40 * DAY_S, 65 * DAY_S), 80 * DAY_S, "foam", "heavy",
        limit_utc_s=(5 * DAY_S, 37 * DAY_S),
    )  # fmt: skip
    cleanings = [(r.days, r.ended) for r in runs(record, Question.CLEANINGS)]
    assert cleanings == [(30.0, True), (25.0, True), (15.0, False)]
    limit = [(r.days, r.ended) for r in runs(record, Question.LIMIT)]
    assert limit == [(27.0, True), (25.0, False), (15.0, False)]
    assert runs(Record("s", "f", (), 80 * DAY_S), Question.LIMIT) == []


def test_small_samples_say_so() -> None:
    assert lesson("m", "", Question.CLEANINGS, [run(30.0)]).sure == "hardly: only 1 run at 1 filter"
    nothing = lesson("m", "", Question.CLEANINGS, [run(30.0, False)])
    assert nothing.median_days is None
    assert nothing.sure == "nothing yet: none of 1 run has ended"
    assert words(nothing).startswith("more than half still run")
    one_filter = [run(30.0 + n) for n in range(50)]
    assert lesson("m", "", Question.CLEANINGS, one_filter).sure.startswith("hardly")
    some = [run(30.0 + n, True, f"s{n % 4}/f") for n in range(8)]
    assert lesson("m", "", Question.CLEANINGS, some).sure == "roughly: 8 runs at 4 filters"


def test_lessons_by_media_and_stock() -> None:
    records = [
        Record(f"s{n}", "f", tuple(DAY_S * days * k for k in range(6)), 5 * DAY_S * days, media, stock)
        for n, (media, stock, days) in enumerate(
            [("foam", "light", 50.0)] * 3 + [("foam", "heavy", 25.0)] * 3 + [("floss", "light", 14.0)] * 3
        )
    ]  # fmt: skip
    found = {(x.media, x.stock): x for x in lessons(records, Question.CLEANINGS)}
    assert next(iter(found)) == ("", "")
    assert found["", ""].ended == 45
    assert found["foam", "light"].median_days == 50.0
    assert found["foam", "heavy"].median_days == 25.0
    assert found["foam", ""].ended == 30
    assert found["floss", "light"].filters == 3
    assert "cleaned every 14 days in the middle, 80 % between 14 and 14" in words(
        found["floss", ""]
    )
    assert lessons([], Question.LIMIT) == []
