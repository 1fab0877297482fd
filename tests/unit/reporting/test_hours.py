"""Sums of hours against figures worked out by hand."""

from __future__ import annotations

import pytest

from monitor.records import MinuteRow
from monitor.reporting.hours import Band, Day, Fold, Span, Sums, day_before, of_day, total

L_PER_H = 1 / 3.6e6
SPAN = Span(1000.0 * 3600, 1004.0 * 3600)


def row(at_s: float, flow: float | None, warm: float | None = 25.0, samples: int = 60, good: int | None = None,
        clean: float | None = 800.0, synchronised: bool = True) -> MinuteRow:  # fmt: skip
    """A minute so many seconds after the span's begin; flows in L/h."""
    utc_s = int(SPAN.start_utc_s + at_s)
    flow_m3 = None if flow is None else flow * L_PER_H
    flow_samples = (0 if flow is None else samples) if good is None else good
    return MinuteRow(
        0, "left", utc_s // 60, utc_s, synchronised, samples, flow_samples, flow_m3, flow_m3, flow_m3,
        None if clean is None else clean * L_PER_H, samples if warm is not None else 0, warm,
    )  # fmt: skip


def hours(*rows: MinuteRow, every_s: float = 60.0, band: Band = Band()) -> list[Sums]:  # noqa: B008
    fold = Fold(SPAN, every_s, 0.2, band)
    for one in rows:
        fold.take(one)
    return fold.finished()


def litres(flow: float | None) -> float:
    assert flow is not None
    return flow / L_PER_H


def test_a_full_hour_and_a_half_one() -> None:
    """60 min at 600 and 30 min at 400, then nothing: 90 min known, 800 L moved, mean 533.3 L/h."""
    rows = [row(60 * n, 600.0 if n < 60 else 400.0) for n in range(90)]
    whole = total(hours(*rows))
    assert whole.known_s == 5400
    assert whole.running_s == 5400
    assert whole.moved_m3 * 1000 == pytest.approx(600 + 200)
    assert litres(whole.running_m3_per_s) == pytest.approx(1600 / 3)
    assert whole.share == pytest.approx((60 * 0.75 + 30 * 0.5) / 90)


def test_a_stop_is_known_time_without_running() -> None:
    """30 min at 600, 10 min at nothing, 20 min of a trickle below a fifth of clean."""
    flows = [600.0] * 30 + [0.0] * 10 + [150.0] * 20
    (first, *_) = hours(*(row(60 * n, f, 25.0 if f == 600 else 20.0) for n, f in enumerate(flows)))
    assert (first.known_s, first.running_s, first.standing_s) == (3600, 1800, 1800)
    assert litres(first.running_m3_per_s) == pytest.approx(600)
    assert litres(first.flow_m3_per_s) == pytest.approx((600 * 30 + 150 * 20) / 60)
    assert (first.coldest_c, first.warm_s) == (25.0, 1800), "water that stands is not the tank's"


def test_what_cannot_be_trusted_is_not_known() -> None:
    """Of one minute only a quarter of the samples, of another none."""
    (first, *_) = hours(row(0, 600.0, good=15), row(60, None))
    assert first.known_s == 15
    assert first.warm_s == 120, "without a known flow the probe is believed"
    assert total(hours()).flow_m3_per_s is None
    assert total(hours()).share is None


def test_a_row_speaks_until_the_next_but_not_longer() -> None:
    """A minute cut in two parts of 20 and 40 s counts once; before a gap a row counts its minute."""
    (first, *_) = hours(
        row(0, 600.0, samples=20), row(20, 300.0, samples=40), row(60, 300.0), row(1800, 300.0)
    )
    assert first.known_s == 20 + 40 + 60 + 60
    assert first.moved_m3 * 1000 == pytest.approx((600 * 20 + 300 * 160) / 3600)
    (slow, *_) = hours(row(0, 600.0, samples=1), row(600, 600.0, samples=1), every_s=600.0)
    assert slow.known_s == 1200


def test_a_clock_that_went_back_counts_what_was_seen() -> None:
    first, *_ = hours(row(600, 600.0), row(540, 600.0), row(600, 600.0))
    assert first.known_s == 180


def test_outside_the_span_nothing_counts() -> None:
    rows = (row(-60, 900.0), row(0, 600.0), row(4 * 3600 - 30, 600.0), row(4 * 3600, 900.0))
    whole = total(hours(*rows))
    assert whole.known_s == 60 + 30
    assert litres(whole.flow_m3_per_s) == pytest.approx(600)


def test_band_clock_and_a_filter_without_a_clean_flow() -> None:
    warm = [24.0, 26.0, 23.9, 26.1]
    rows = [row(60 * n, 100.0, w, clean=None, synchronised=n > 0) for n, w in enumerate(warm)]
    whole = total(hours(*rows, band=Band(24.0, 26.0)))
    assert (whole.in_band_s, whole.warm_s, whole.unsure_s) == (120, 240, 60)
    assert (whole.coldest_c, whole.warmest_c) == (23.9, 26.1)
    assert whole.mean_c == pytest.approx(25.0)
    assert whole.share is None
    assert whole.running_s == 240


def test_days_and_the_day_before() -> None:
    rows = [row(60 * n, 600.0 if n < 120 else 300.0) for n in range(240)]
    found = hours(*rows)
    start = SPAN.start_utc_s
    day = Day("1 Jan", start + 3600, start + 3 * 3600)
    assert litres(of_day(found, SPAN, day).flow_m3_per_s) == pytest.approx(450)
    before = day_before(found, SPAN, start + 2 * 3600 + 100)
    assert litres(before.running_m3_per_s) == pytest.approx(600), (
        "the hour of the cleaning is not of it"
    )
    assert day_before(found, SPAN, start + 100).running_m3_per_s is None
