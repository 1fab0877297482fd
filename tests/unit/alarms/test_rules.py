"""What one assessment says about each alarm.

The shares are the defaults a user may change. Three quarters of clean flow for cleaning is common
practice, no source; the other shares and the delays are figures of this project, no source. A
deadband of 5 % for flow is the usual figure of ISA-18.2, clause 10.5.5.2, as quoted in the open
literature.
"""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms.rules import Limits, Wish, wish
from monitor.records import AlarmKind, Assessment, CleanBasis, Quality

CLEAN = 1 / 6000  # 600 L/h in m³/s
LIMITS = Limits()
FLOW_KINDS = (AlarmKind.FLOW_STOPPED, AlarmKind.FLOW_LOW, AlarmKind.CLEANING_DUE)


def seen(
    newest: float = 1.0, steady: float = 1.0, running: float | None = 1.0, **other: object
) -> Assessment:
    """An assessment with these shares of clean flow, and other fields as given."""
    one = Assessment(
        "left", 1.0, newest * CLEAN, Quality.GOOD, steady * CLEAN,
        None if running is None else running * CLEAN, CLEAN, CleanBasis.MEASURED, 25.0,
        Quality.GOOD, 0.0, True,
    )  # fmt: skip
    return msgspec.structs.replace(one, **other)


def judged(
    kind: AlarmKind, one: Assessment, stopped: bool = False, low: bool = False
) -> Wish | None:
    return wish(kind, one, LIMITS, stopped, low)


@pytest.mark.parametrize(
    ("kind", "share", "wanted", "over"),
    [
        (AlarmKind.FLOW_STOPPED, 0.0, True, False),
        (AlarmKind.FLOW_STOPPED, 0.19, True, False),
        (AlarmKind.FLOW_STOPPED, 0.21, False, False),
        (AlarmKind.FLOW_STOPPED, 0.24, False, False),
        (AlarmKind.FLOW_STOPPED, 0.26, False, True),
        (AlarmKind.FLOW_LOW, 0.49, True, False),
        (AlarmKind.FLOW_LOW, 0.51, False, False),
        (AlarmKind.FLOW_LOW, 0.54, False, False),
        (AlarmKind.FLOW_LOW, 0.56, False, True),
        (AlarmKind.CLEANING_DUE, 0.74, True, False),
        (AlarmKind.CLEANING_DUE, 0.76, False, False),
        (AlarmKind.CLEANING_DUE, 0.79, False, False),
        (AlarmKind.CLEANING_DUE, 0.81, False, True),
        (AlarmKind.CLEANING_DUE, 1.3, False, True),
    ],
)
def test_raise_below_the_share_and_clear_above_it_with_the_margin(
    kind: AlarmKind, share: float, wanted: bool, over: bool
) -> None:
    said = judged(kind, seen(share, share, share))
    assert said is not None
    assert (said.wanted, said.over) == (wanted, over)


@pytest.mark.parametrize(
    ("kind", "field", "delay_s"),
    [
        (AlarmKind.FLOW_STOPPED, "newest", 10.0),
        (AlarmKind.FLOW_LOW, "steady", 60.0),
        (AlarmKind.CLEANING_DUE, "running", 3600.0),
    ],
)
def test_each_alarm_looks_at_its_own_mean_with_its_own_delay(
    kind: AlarmKind, field: str, delay_s: float
) -> None:
    assert judged(kind, seen(**{field: 0.1})) == Wish(True, False, delay_s, 15.0)
    others = {name: 0.1 for name in ("newest", "steady", "running") if name != field}
    assert judged(kind, seen(**others)) == Wish(False, True, delay_s, 15.0)


@pytest.mark.parametrize(("unknown_s", "wanted"), [(0.0, False), (59.9, False), (60.0, True)])
def test_flow_unknown_is_wanted_after_its_own_time(unknown_s: float, wanted: bool) -> None:
    said = judged(AlarmKind.FLOW_UNKNOWN, seen(unknown_s=unknown_s, fresh=False))
    assert said == Wish(wanted, unknown_s == 0.0, 0.0, 15.0)


def test_flow_unknown_is_over_when_a_flow_came() -> None:
    assert judged(AlarmKind.FLOW_UNKNOWN, seen()) == Wish(False, True, 0.0, 15.0)


def test_flow_unknown_needs_no_clean_flow() -> None:
    blank = seen(unknown_s=61.0, fresh=False, clean_m3_per_s=None, clean_basis=CleanBasis.NONE)
    said = judged(AlarmKind.FLOW_UNKNOWN, blank, stopped=True, low=True)
    assert said is not None
    assert said.wanted


@pytest.mark.parametrize("kind", FLOW_KINDS)
@pytest.mark.parametrize(
    "other",
    [
        {"fresh": False},
        {"clean_m3_per_s": None, "clean_basis": CleanBasis.NONE},
        {"clean_m3_per_s": 0.0},
        {"flow_m3_per_s": None, "steady_m3_per_s": None, "running_m3_per_s": None},
    ],
    ids=lambda o: next(iter(o)),
)
def test_nothing_is_said_of_flow_that_is_not_known(
    kind: AlarmKind, other: dict[str, object]
) -> None:
    said = judged(kind, seen(0.0, 0.0, 0.0, **other))
    if kind is AlarmKind.FLOW_STOPPED and "clean_m3_per_s" in other:
        # No water at all for ten minutes is a stop, whatever the clean flow may be.
        assert said == Wish(True, False, 600.0, 15.0)
    else:
        assert said is None


def test_without_a_clean_flow_any_water_ends_the_stop() -> None:
    blank = {"clean_m3_per_s": None, "clean_basis": CleanBasis.NONE}
    assert judged(AlarmKind.FLOW_STOPPED, seen(0.5, 0.5, 0.5, **blank)) == Wish(
        False, True, 600.0, 15.0
    )


def test_zero_flow_is_judged_and_not_taken_for_absent() -> None:
    for kind in FLOW_KINDS:
        said = judged(kind, seen(0.0, 0.0, 0.0))
        assert said is not None
        assert said.wanted


def test_a_prediction_judges_only_stopped() -> None:
    guess = seen(0.1, 0.1, 0.1, clean_basis=CleanBasis.PREDICTED)
    said = {kind: judged(kind, guess) for kind in FLOW_KINDS}
    assert [kind for kind, one in said.items() if one is not None] == [AlarmKind.FLOW_STOPPED]


@pytest.mark.parametrize("basis", [CleanBasis.PROVISIONAL, CleanBasis.MEASURED])
def test_what_was_measured_judges_everything(basis: CleanBasis) -> None:
    one = seen(0.1, 0.1, 0.1, clean_basis=basis)
    assert all(judged(kind, one) is not None for kind in FLOW_KINDS)


def test_water_that_does_not_move_says_nothing_about_the_media() -> None:
    one = seen(0.0, 0.0, 0.7)
    assert judged(AlarmKind.FLOW_LOW, one, stopped=True) is None
    assert judged(AlarmKind.CLEANING_DUE, one, stopped=True) is None
    assert judged(AlarmKind.FLOW_STOPPED, one, stopped=True) is not None


def test_low_flow_stands_for_cleaning_due_as_well() -> None:
    one = seen(0.4, 0.4, 0.7)
    assert judged(AlarmKind.CLEANING_DUE, one, low=True) is None
    assert judged(AlarmKind.FLOW_LOW, one, low=True) is not None


def test_no_running_mean_no_word_about_cleaning() -> None:
    assert judged(AlarmKind.CLEANING_DUE, seen(0.5, 0.5, None)) is None


def test_the_default_margin_is_that_of_the_standard() -> None:
    assert LIMITS.clear_margin == pytest.approx(0.05)


@given(
    share=st.floats(0.0, 2.0),
    threshold=st.floats(0.0, 1.0),
    margin=st.floats(0.0, 0.5),
    kind=st.sampled_from(FLOW_KINDS),
)
@settings(max_examples=150, deadline=None)
def test_no_assessment_wants_an_alarm_and_its_end_at_once(
    share: float, threshold: float, margin: float, kind: AlarmKind
) -> None:
    limits = Limits(
        cleaning_due_share=threshold,
        flow_low_share=threshold,
        flow_stopped_share=threshold,
        clear_margin=margin,
    )
    said = wish(kind, seen(share, share, share), limits, False, False)
    assert said is not None
    assert not (said.wanted and said.over)
