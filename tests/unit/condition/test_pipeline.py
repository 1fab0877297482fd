"""One filter, step by step: time that misbehaves, gaps, and values that must not outlive their age.

Flows and times are invented; f = 7.5 Q (Hz, L/min) is the data sheet of the common half-inch
hall-effect turbine.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import pytest

from monitor.condition import deeds, pipeline
from monitor.condition.flow import Sensor
from monitor.condition.pipeline import ConditionPlan, ConditionState
from monitor.condition.reference import Learning, Phase, Reference
from monitor.records import (
    Assessment,
    CleanBasis,
    FlowReading,
    Moment,
    PulseReading,
    Quality,
    Reading,
    TemperatureReading,
)

LITRE_PER_MIN = 1e-3 / 60  # m³/s
CLEAN = 10 * LITRE_PER_MIN
PLAN = ConditionPlan(
    "left",
    Sensor(450_000.0, 30 * LITRE_PER_MIN),
    Learning(0.0, 12.0, 0.05),
    predicted_m3_per_s=None,
)
PREDICTED = msgspec.structs.replace(PLAN, predicted_m3_per_s=CLEAN)
YEAR_S = 365.25 * 86_400


def at(line_s: float) -> Moment:
    return Moment(line_s, 1.7e9 + line_s)


def flow(share: float | None, span_s: float = 1.0, quality: Quality = Quality.GOOD) -> FlowReading:
    return FlowReading("left", span_s, None if share is None else share * CLEAN, quality)


def temperature(value_c: float | None, quality: Quality = Quality.GOOD) -> TemperatureReading:
    return TemperatureReading("left", value_c, quality)


def run(
    *steps: tuple[float, Sequence[Reading]],
    start: ConditionState | None = None,
    plan: ConditionPlan = PLAN,
) -> tuple[ConditionState, Assessment]:
    """Take each step and return what the last one gave."""
    state = start if start is not None else ConditionState()
    seen = pipeline.picture(state, plan)
    for line_s, readings in steps:
        state, seen = pipeline.step(state, plan, readings, at(line_s))
    return state, seen


def commissioned() -> ConditionState:
    """Twelve seconds at clean flow, which is all the learning this plan wants."""
    state, _ = run(*((float(second), [flow(1.0)]) for second in range(1, 13)))
    assert state.reference.phase is Phase.HELD
    return state


def test_before_anything_came_nothing_is_known() -> None:
    _, seen = run((0.0, []))
    assert (seen.flow_m3_per_s, seen.flow_quality) == (None, Quality.MISSING)
    assert (seen.clean_m3_per_s, seen.clean_basis) == (None, CleanBasis.NONE)
    assert (seen.temperature_c, seen.temperature_quality) == (None, Quality.MISSING)
    assert (seen.fresh, seen.dt_s, seen.unknown_s) == (False, 0.0, 0.0)


def test_a_second_of_pulses_becomes_an_assessment() -> None:
    _, seen = run((1.0, [PulseReading("left", 1.0, 75), temperature(25.0)]))
    assert seen.filter_id == "left"
    assert seen.flow_m3_per_s == pytest.approx(CLEAN)  # 75 Hz by f = 7.5 Q
    assert (seen.flow_quality, seen.fresh, seen.dt_s) == (Quality.GOOD, True, 1.0)
    assert (seen.temperature_c, seen.temperature_quality) == (25.0, Quality.GOOD)


def test_zero_flow_and_zero_degrees_are_data() -> None:
    _, seen = run((1.0, [flow(0.0), temperature(0.0)]))
    assert (seen.flow_m3_per_s, seen.flow_quality, seen.fresh) == (0.0, Quality.GOOD, True)
    assert seen.steady_m3_per_s == 0.0
    assert (seen.temperature_c, seen.temperature_quality) == (0.0, Quality.GOOD)


# Clean flow


def test_the_basis_goes_from_predicted_over_provisional_to_measured() -> None:
    bases = []
    state = ConditionState()
    for second in range(1, 13):
        state, seen = run((float(second), [flow(0.9)]), start=state, plan=PREDICTED)
        bases.append(seen.clean_basis)
    _, before = run((0.0, []), plan=PREDICTED)
    assert (before.clean_basis, before.clean_m3_per_s) == (CleanBasis.PREDICTED, CLEAN)
    assert bases == [CleanBasis.PROVISIONAL] * 11 + [CleanBasis.MEASURED]
    assert seen.clean_m3_per_s == pytest.approx(0.9 * CLEAN)


def test_a_cleaning_can_be_taken_back_once() -> None:
    state = commissioned()
    cleaned = deeds.cleaned(state)
    assert cleaned.reference.phase is not Phase.HELD
    assert pipeline.picture(cleaned, PLAN).clean_basis is CleanBasis.PROVISIONAL
    relearned, seen = run(
        *((float(s), [flow(0.8)]) for s in range(13, 25)),
        start=cleaned,
    )
    assert seen.clean_m3_per_s == pytest.approx(0.8 * CLEAN)
    undone = deeds.cleaned_undone(relearned)
    assert undone is not None
    assert undone.reference == state.reference
    assert deeds.cleaned_undone(undone) is None


def test_without_a_cleaning_there_is_nothing_to_take_back() -> None:
    assert deeds.cleaned_undone(commissioned()) is None


def test_after_a_cleaning_the_slow_means_begin_anew() -> None:
    fouled, _ = run(*((13.0 + s, [flow(0.6)]) for s in range(100)), start=commissioned())
    _, seen = run((200.0, [flow(1.0)]), start=deeds.cleaned(fouled))
    assert seen.running_m3_per_s == pytest.approx(CLEAN)


# Time


@pytest.mark.parametrize("back_s", [0.0, 1.0, 3600.0, YEAR_S])
def test_time_that_repeats_or_runs_backwards_does_not_pass(back_s: float) -> None:
    waiting, _ = run((42.0, []), start=commissioned())
    assert waiting.unknown_s == 30.0
    state, seen = run((42.0 - back_s, []), (42.0 - back_s, []), start=waiting)
    assert (state.line_s, seen.unknown_s, seen.dt_s) == (42.0, 30.0, 0.0)
    _, seen = run((43.0, []), start=state)
    assert seen.unknown_s == 31.0


def test_readings_of_a_moment_that_repeats_still_count() -> None:
    state = commissioned()
    _, seen = run((3.0, [flow(0.5)]), start=state)
    assert (seen.flow_m3_per_s, seen.fresh) == (pytest.approx(0.5 * CLEAN), True)


def test_a_temperature_does_not_age_while_time_runs_backwards() -> None:
    state, _ = run((100.0, [temperature(25.0)]))
    _, seen = run((40.0, []), (10.0, []), (100.0, []), start=state)
    assert (seen.temperature_c, seen.temperature_quality) == (25.0, Quality.GOOD)


def test_steps_without_readings_add_up_to_unknown_time() -> None:
    state, seen = run((13.0, []), (15.0, []), (20.5, []), start=commissioned())
    assert seen.unknown_s == pytest.approx(8.5)
    assert (seen.flow_quality, seen.fresh) == (Quality.MISSING, False)
    _, seen = run((21.5, [flow(1.0)]), start=state)
    assert (seen.unknown_s, seen.flow_quality) == (0.0, Quality.GOOD)


@pytest.mark.parametrize("gap_s", [60.0, 86_400.0, YEAR_S])
def test_a_gap_is_credited_to_nothing(gap_s: float) -> None:
    """After a gap one second of flow counts as one second, in the means and in the learning."""
    state = commissioned()
    without, _ = run((13.0, [flow(0.5)]), start=state)
    over, seen = run((12.0 + gap_s, [flow(0.5)]), start=state)
    assert (seen.dt_s, seen.unknown_s) == (1.0, 0.0)
    assert over.averages == without.averages
    learning, _ = run(*((float(s), [flow(1.0)]) for s in range(1, 6)))
    over, _ = run((5.0 + gap_s, [flow(1.0)]), start=learning)
    without, _ = run((6.0, [flow(1.0)]), start=learning)
    assert over.reference == without.reference


def test_a_restart_is_neither_flow_nor_its_absence() -> None:
    state, _ = run((40.0, []), start=commissioned())
    back = deeds.resumed(state, PLAN, at(5000.0))
    _, seen = run((5001.0, []), start=back)
    assert seen.unknown_s == 1.0
    _, seen = run((5001.0, [flow(0.5)]), start=back)
    assert (seen.dt_s, seen.unknown_s) == (1.0, 0.0)


def test_pulses_that_waited_are_forgotten_over_a_restart() -> None:
    trickle = msgspec.structs.replace(PLAN, predicted_m3_per_s=0.05 * LITRE_PER_MIN)
    state, _ = run((1.0, [PulseReading("left", 1.0, 4)]), plan=trickle)
    assert state.flow.pulses == 4
    assert deeds.resumed(state, PLAN, at(500.0)).flow.pulses == 0


def test_a_slow_sensor_that_collects_is_not_unknown() -> None:
    trickle = msgspec.structs.replace(PLAN, predicted_m3_per_s=0.05 * LITRE_PER_MIN)
    state = ConditionState()
    for second in range(1, 50):
        state, seen = run(
            (float(second), [PulseReading("left", 1.0, 0)]), start=state, plan=trickle
        )
        assert (seen.unknown_s, seen.fresh) == (0.0, False)
    _, seen = run((50.0, [PulseReading("left", 1.0, 0)]), start=state, plan=trickle)
    assert (seen.flow_m3_per_s, seen.fresh, seen.dt_s) == (0.0, True, 50.0)


# Bad values


@pytest.mark.parametrize(
    ("bad", "quality"),
    [
        (flow(None), Quality.MISSING),
        (flow(float("nan")), Quality.OUT_OF_RANGE),
        (flow(float("inf")), Quality.OUT_OF_RANGE),
        (flow(3.1), Quality.OUT_OF_RANGE),
        (flow(1.0, 0.0), Quality.MISSING),
        (flow(1.0, quality=Quality.DISCONNECTED), Quality.DISCONNECTED),
        (PulseReading("left", 1.0, 1_000_000), Quality.NOISY),
        (PulseReading("left", 1.0, -5), Quality.OUT_OF_RANGE),
        (PulseReading("left", 1.0, 0, Quality.NOISY), Quality.NOISY),
    ],
    ids=repr,
)
def test_the_last_good_flow_never_stands_in_for_a_bad_one(bad: Reading, quality: Quality) -> None:
    state = commissioned()
    after, seen = run((13.0, [bad]), start=state)
    assert (seen.flow_m3_per_s, seen.flow_quality, seen.fresh) == (None, quality, False)
    assert (seen.unknown_s, seen.dt_s) == (1.0, 0.0)
    assert (after.averages, after.reference) == (state.averages, state.reference)


@pytest.mark.parametrize(
    "quality", [Quality.MISSING, Quality.DISCONNECTED, Quality.POWER_ON, Quality.OUT_OF_RANGE]
)
def test_the_last_good_temperature_never_stands_in_for_a_bad_one(quality: Quality) -> None:
    state, _ = run((1.0, [temperature(25.0)]))
    _, seen = run((2.0, [temperature(None, quality)]), start=state)
    assert (seen.temperature_c, seen.temperature_quality) == (None, quality)


def test_the_newest_of_several_readings_is_shown() -> None:
    _, seen = run((1.0, [temperature(20.0), flow(0.2), flow(0.4), temperature(21.0)]))
    assert seen.flow_m3_per_s == pytest.approx(0.4 * CLEAN)
    assert seen.temperature_c == 21.0


def test_a_temperature_older_than_half_a_minute_is_missing() -> None:
    """Thirty seconds is a figure of this project, no source."""
    state, _ = run((0.0, [temperature(25.0)]))
    for second in range(1, 31):
        state, seen = run((float(second), [flow(1.0)]), start=state)
        assert (seen.temperature_c, seen.temperature_quality) == (25.0, Quality.GOOD)
    state, seen = run((31.0, [flow(1.0)]), start=state)
    assert (seen.temperature_c, seen.temperature_quality) == (None, Quality.MISSING)
    _, seen = run((32.0, [flow(1.0), temperature(24.0)]), start=state)
    assert (seen.temperature_c, seen.temperature_quality) == (24.0, Quality.GOOD)


def test_a_recording_with_a_row_a_minute_keeps_its_temperature_between_rows() -> None:
    _, seen = run(
        (0.0, [flow(1.0, 60.0), temperature(25.0)]),
        (60.0, [flow(1.0, 60.0)]),
    )
    assert seen.temperature_c == 25.0


def test_no_flow_reading_leaves_the_temperature_alone_and_the_other_way_round() -> None:
    state, seen = run((1.0, [temperature(25.0)]))
    assert (seen.fresh, seen.flow_m3_per_s) == (False, None)
    _, seen = run((2.0, [flow(1.0)]), start=state)
    assert (seen.fresh, seen.temperature_c) == (True, 25.0)


def test_a_picture_changes_nothing_and_is_not_fresh() -> None:
    state, seen = run((13.0, [flow(0.7), temperature(25.0)]), start=commissioned())
    shown = pipeline.picture(state, PLAN)
    assert shown == msgspec.structs.replace(seen, fresh=False, dt_s=0.0)


def test_a_state_survives_being_written_and_read() -> None:
    state, _ = run((13.0, [flow(1 / 3), temperature(25.0625)]), start=commissioned())
    state = deeds.cleaned(state)
    assert msgspec.json.decode(msgspec.json.encode(state), type=ConditionState) == state


def test_a_flow_from_before_a_silence_is_not_shown_as_flow() -> None:
    state, _ = run((1.0, [FlowReading("left", 1.0, 1e-4)]))
    _, seen = run((2.0, []), start=state)
    assert (seen.flow_m3_per_s, seen.flow_quality) == (None, Quality.MISSING)


def test_a_temperature_from_before_a_year_is_missing() -> None:
    state, _ = run((1.0, [TemperatureReading("left", 25.0)]))
    _, seen = run((3e7, [FlowReading("left", 1.0, 1e-4)]), start=state)
    assert (seen.temperature_c, seen.temperature_quality) == (None, Quality.MISSING)


def test_told_twice_that_it_was_cleaned_the_measured_clean_flow_can_still_be_had_back() -> None:
    measured = Reference(phase=Phase.HELD, clean=1e-4, measured=True, first=1e-4)
    state = msgspec.structs.replace(ConditionState(), reference=measured)
    twice = deeds.cleaned(deeds.cleaned(state))
    back = deeds.cleaned_undone(twice)
    assert back is not None
    assert back.reference == measured


def test_a_reading_claims_no_more_time_than_has_passed() -> None:
    """Twelve readings of a second each at one moment are not twelve seconds of standstill."""
    state = ConditionState()
    claimed = 0.0
    for _ in range(12):
        state, seen = run((5.0, [FlowReading("left", 1.0, 0.0)]), start=state)
        claimed += seen.dt_s
    assert claimed <= 1.0
