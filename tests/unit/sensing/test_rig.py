"""The simulated filter: reproducible, true to its own figures, and each fault shows as named.

The filter is invented and so simple that its flow can be worked out by hand: a pump
H = H0·(1 − (Q/Qmax)²) against one fitting of K·v²/2g gives Q = √(H0 / (H0/Qmax² + K/(2g·A²))).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from statistics import fmean, pstdev

import pytest

from monitor.records import Moment, PulseReading, Quality, TemperatureReading
from monitor.sensing.faults import Fault, FaultName
from monitor.sensing.rig import Rig, RigPlan, Surroundings
from monitor.sizing.circuit import Circuit, Fitting
from monitor.sizing.pump import pump_from_rating

MAX_HEAD_M, RATED_M3_PER_S = 1.5, 1000 / 3.6e6
BORE_M, LOSS_K = 0.012, 6.0
PULSES_PER_M3 = 450_000.0
HOUR_S, DAY_S = 3600.0, 86400.0
NEVER_DAYS = 1e6  # of clogging, so slow that nothing of it shows

_AREA_M2 = math.pi / 4 * BORE_M**2
CLEAN_M3_PER_S = math.sqrt(
    MAX_HEAD_M / (MAX_HEAD_M / RATED_M3_PER_S**2 + LOSS_K / (2 * 9.80665 * _AREA_M2**2))
)
CIRCUIT = Circuit(
    pump_from_rating(RATED_M3_PER_S, MAX_HEAD_M), (Fitting("elbows", BORE_M, LOSS_K),)
)


def rig(
    *faults: Fault,
    seed: int = 1,
    due_days: float = NEVER_DAYS,
    pulses_per_m3: float = PULSES_PER_M3,
    surroundings: Surroundings | None = None,
) -> Rig:
    return Rig(
        RigPlan(
            "left_tank",
            CIRCUIT,
            pulses_per_m3,
            seed=seed,
            due_days=due_days,
            faults=faults,
            surroundings=surroundings or Surroundings(),
        )
    )


@dataclass
class Seen:
    """What sensor and probe showed of a stretch of time."""

    ends_s: list[float] = field(default_factory=list)
    pulses: list[PulseReading] = field(default_factory=list)
    warmth: list[TemperatureReading] = field(default_factory=list)

    @property
    def flow(self) -> float:
        """Mean flow as a share of the clean flow worked out by hand."""
        volume_m3 = sum(reading.pulses for reading in self.pulses) / PULSES_PER_M3
        return volume_m3 / sum(reading.span_s for reading in self.pulses) / CLEAN_M3_PER_S

    @property
    def flows(self) -> list[float]:
        return [r.pulses / r.span_s / PULSES_PER_M3 / CLEAN_M3_PER_S for r in self.pulses]

    @property
    def temperatures_c(self) -> list[float]:
        return [r.temperature_c for r in self.warmth if r.temperature_c is not None]

    @property
    def qualities(self) -> set[Quality]:
        return {reading.quality for reading in self.pulses}


def seen(source: Rig, until_s: float, every_s: float = 1.0, since_s: float = 0.0) -> Seen:
    """Look at the rig from one time to another."""
    found = Seen()
    for index in range(1 + round((until_s - since_s) / every_s)):
        line_s = since_s + index * every_s
        for reading in source.read(Moment(line_s, line_s)):
            if isinstance(reading, PulseReading):
                found.ends_s.append(line_s)
                found.pulses.append(reading)
            else:
                assert isinstance(reading, TemperatureReading)
                found.warmth.append(reading)
    return found


def counts(found: Seen) -> list[int]:
    return [reading.pulses for reading in found.pulses]


class TestSeed:
    def test_the_same_seed_gives_the_same_readings(self) -> None:
        first, second = seen(rig(seed=7), 900.0), seen(rig(seed=7), 900.0)
        assert first == second

    def test_another_seed_gives_others(self) -> None:
        assert counts(seen(rig(seed=7), 900.0)) != counts(seen(rig(seed=8), 900.0))

    def test_a_fault_changes_nothing_before_it_begins(self) -> None:
        fault = Fault(FaultName.KINK, 600.0)
        assert counts(seen(rig(), 600.0)) == counts(seen(rig(fault), 600.0))


class TestCleanFlow:
    def test_it_is_the_one_worked_out_by_hand(self) -> None:
        assert rig().clean_m3_per_s == pytest.approx(CLEAN_M3_PER_S, rel=1e-6)

    def test_pulses_add_up_to_flow_times_k(self) -> None:
        # A freshly rinsed filter is allowed to keep a little dirt, hence 2 %.
        found = seen(rig(), 2 * HOUR_S)
        assert sum(counts(found)) == pytest.approx(
            CLEAN_M3_PER_S * PULSES_PER_M3 * 2 * HOUR_S, rel=0.02
        )

    def test_twice_the_pulses_for_twice_the_k(self) -> None:
        once = sum(counts(seen(rig(), HOUR_S)))
        twice = sum(counts(seen(rig(pulses_per_m3=2 * PULSES_PER_M3), HOUR_S)))
        assert abs(twice - 2 * once) <= 2

    def test_parts_of_pulses_are_not_lost_between_looks(self) -> None:
        # Ten looks a pulse: most of them see none, and all together see them all.
        often = seen(rig(), 40.0, every_s=0.1 / (CLEAN_M3_PER_S * PULSES_PER_M3))
        assert set(counts(often)) == {0, 1}
        assert often.flow == pytest.approx(seen(rig(), 40.0, every_s=10.0).flow, rel=0.01)

    def test_spans_cover_the_time_without_hole_or_overlap(self) -> None:
        found = seen(rig(), 1000.0, every_s=12.5)
        assert [reading.span_s for reading in found.pulses] == pytest.approx([12.5] * 80)

    def test_it_wanders_a_little_as_a_rotor_does(self) -> None:
        flows = seen(rig(), HOUR_S).flows
        assert 0.002 < pstdev(flows) / fmean(flows) < 0.05

    def test_the_first_look_only_marks_the_time_wherever_the_line_stands(self) -> None:
        source = rig()
        assert source.read(Moment(1e6, 0.0)) == ()
        pulses, _ = source.read(Moment(1e6 + 10.0, 10.0))
        assert isinstance(pulses, PulseReading)
        assert pulses.span_s == pytest.approx(10.0)
        assert pulses.pulses == pytest.approx(CLEAN_M3_PER_S * PULSES_PER_M3 * 10, rel=0.05)

    def test_a_rig_without_a_probe_shows_no_temperature(self) -> None:
        source = Rig(RigPlan("left_tank", CIRCUIT, PULSES_PER_M3, has_probe=False))
        assert seen(source, 60.0).warmth == []


class TestStride:
    def test_coarse_and_fine_looks_agree_on_flow_and_on_its_fall(self) -> None:
        # A filter that clogs within hours, so that its whole way down is compared.
        def hourly(every_s: float) -> list[float]:
            source = rig(due_days=0.25)
            hours = range(8)
            return [seen(source, (h + 1) * HOUR_S, every_s, h * HOUR_S).flow for h in hours]

        coarse, fine = hourly(60.0), hourly(1.0)
        assert fine[-1] < 0.8 * fine[0]
        assert coarse == pytest.approx(fine, rel=0.01)

    def test_one_look_at_a_whole_day_is_the_sum_of_many(self) -> None:
        once = seen(rig(), DAY_S, every_s=DAY_S).flow
        assert once == pytest.approx(seen(rig(), DAY_S, every_s=60.0).flow, rel=0.01)

    def test_moments_are_seconds_around_a_fault_and_minutes_elsewhere(self) -> None:
        begins_s, ends_s = 10 * HOUR_S, 11 * HOUR_S
        plan = RigPlan(
            "left_tank",
            CIRCUIT,
            PULSES_PER_M3,
            days=1.0,
            faults=(Fault(FaultName.STALL, begins_s, ends_s),),
            start_utc_s=5000.0,
        )
        moments = list(Rig(plan).moments())
        times_s = [now.line_s for now in moments]
        strides = {a: b - a for a, b in itertools.pairwise(times_s)}
        assert moments[0] == Moment(0.0, 5000.0)
        assert all(now.utc_s - now.line_s == 5000.0 for now in moments)
        assert all(0 < stride <= 60.0 for stride in strides.values())
        assert begins_s in times_s
        assert ends_s in times_s
        assert times_s[-1] < DAY_S <= times_s[-1] + 60.0
        for at_s in (begins_s - 30, begins_s, begins_s + 600, ends_s, ends_s + 600):
            assert strides[at_s] == 1.0
        assert max(strides.values()) == 60.0
        assert len(times_s) < 5000


class TestFouling:
    @pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
    def test_flow_is_down_to_three_quarters_about_when_due(self, seed: int) -> None:
        due_days = 8.0
        source = rig(seed=seed, due_days=due_days)
        at_s, flow = 0.0, 1.0
        while flow > 0.75:
            flow = seen(source, at_s + HOUR_S, 60.0, at_s).flow
            at_s += HOUR_S
            assert at_s < 2 * due_days * DAY_S
        assert at_s / DAY_S == pytest.approx(due_days, rel=0.25)

    def test_the_seed_varies_when_it_is_due(self) -> None:
        flows = [seen(rig(seed=s, due_days=2.0), 2 * DAY_S, 600.0).flows[-1] for s in range(1, 7)]
        assert max(flows) - min(flows) > 0.03

    def test_the_fall_is_slow_first_and_fast_at_the_end(self) -> None:
        source = rig(due_days=4.0)
        daily = [seen(source, (d + 1) * DAY_S, 60.0, d * DAY_S).flow for d in range(4)]
        falls = [before - after for before, after in itertools.pairwise(daily)]
        assert falls == sorted(falls)
        assert falls[0] > 0.0

    def test_a_cleaning_stops_the_pump_and_restores_the_flow(self) -> None:
        source = rig(due_days=1.0)
        dirty = seen(source, DAY_S, 60.0)
        assert dirty.flows[-1] < 0.85
        source.clean_at(DAY_S + 60.0, 720.0)
        before = seen(source, DAY_S + 60.0, 1.0, DAY_S)
        during = seen(source, DAY_S + 780.0, 1.0, DAY_S + 60.0)
        after = seen(source, DAY_S + 1400.0, 1.0, DAY_S + 780.0)
        assert before.flow < 0.85
        assert counts(during) == [0] * 720
        assert 0.95 < after.flow < 1.02

    def test_a_second_cleaning_works_as_the_first(self) -> None:
        source = rig(due_days=1.0)
        for cycle in range(2):
            start_s = cycle * (DAY_S + HOUR_S)
            assert seen(source, start_s + DAY_S, 60.0, start_s).flows[-1] < 0.85
            source.clean_at(start_s + DAY_S, 720.0)
            after = seen(source, start_s + DAY_S + HOUR_S, 60.0, start_s + DAY_S)
            assert after.flows[-1] > 0.95

    def test_around_a_cleaning_the_rig_wants_to_be_looked_at_every_second(self) -> None:
        source = rig()
        assert source.stride_s(5000.0) == 60.0
        source.clean_at(5030.0, 720.0)
        assert source.stride_s(5000.0) == 1.0
        assert source.stride_s(5030.0 + 720.0 + 60.0) == 1.0


WHEN_S = 600.0


def around(fault: FaultName, lasts_s: float = 900.0, every_s: float = 1.0) -> tuple[Seen, Seen]:
    """What is seen while a fault lasts, and in the ten minutes after it."""
    source = rig(Fault(fault, WHEN_S, WHEN_S + lasts_s))
    before = seen(source, WHEN_S - every_s, every_s)
    assert before.flow == pytest.approx(1.0, abs=0.02)
    source.read(Moment(WHEN_S, WHEN_S))
    end_s = WHEN_S + lasts_s
    during = seen(source, end_s - every_s, every_s, WHEN_S)
    source.read(Moment(end_s + 60.0, end_s + 60.0))
    return during, seen(source, end_s + 660.0, every_s, end_s + 60.0)


class TestFaultsInTheReadings:
    @pytest.mark.parametrize("name", list(FaultName))
    def test_when_it_is_over_everything_is_as_before(self, name: FaultName) -> None:
        _, after = around(name)
        assert after.flow == pytest.approx(1.0, abs=0.03)
        assert after.qualities == {Quality.GOOD}
        assert {reading.quality for reading in after.warmth} == {Quality.GOOD}

    @pytest.mark.parametrize("name", [FaultName.STALL, FaultName.POWER_CUT])
    def test_a_pump_that_stops_makes_no_pulses_and_that_is_a_good_reading(
        self, name: FaultName
    ) -> None:
        during, _ = around(name)
        assert set(counts(during)) == {0}
        assert during.qualities == {Quality.GOOD}

    def test_a_kink_throttles_at_once_to_about_a_third(self) -> None:
        during, _ = around(FaultName.KINK)
        assert during.flow == pytest.approx(0.35, abs=0.04)
        assert during.flows[0] < 0.4

    def test_blocked_leaves_a_trickle(self) -> None:
        during, _ = around(FaultName.BLOCKED)
        assert 0.04 < during.flow < 0.12

    def test_air_drops_the_flow_and_lets_it_swing(self) -> None:
        during, _ = around(FaultName.AIR)
        assert 0.3 < during.flow < 0.8
        assert pstdev(during.flows) / fmean(during.flows) > 0.3

    def test_a_hose_that_is_off_lets_more_through_than_clean(self) -> None:
        during, _ = around(FaultName.HOSE_OFF)
        assert during.flow > 1.1
        assert during.flow * CLEAN_M3_PER_S < 1.02 * RATED_M3_PER_S

    def test_a_jammed_sensor_shows_no_pulses_while_the_outlet_follows_the_tank(self) -> None:
        during, _ = around(FaultName.JAMMED_SENSOR, lasts_s=4 * HOUR_S, every_s=10.0)
        assert set(counts(during)) == {0}
        assert min(during.temperatures_c) > 24.3

    def test_a_noisy_wire_is_marked_as_such(self) -> None:
        during, _ = around(FaultName.NOISY_WIRE)
        assert during.qualities == {Quality.NOISY}

    def test_a_probe_that_is_gone_is_disconnected_and_the_flow_stands(self) -> None:
        during, _ = around(FaultName.PROBE_GONE)
        assert {(r.temperature_c, r.quality) for r in during.warmth} == {
            (None, Quality.DISCONNECTED)
        }
        assert during.flow == pytest.approx(1.0, abs=0.02)

    def test_a_heater_that_stays_on_warms_the_tank(self) -> None:
        source = rig(Fault(FaultName.HEATER_ON, 0.0))
        assert seen(source, 12 * HOUR_S, 60.0).temperatures_c[-1] > 27.0

    def test_a_heater_that_stays_off_lets_the_tank_cool_towards_the_room(self) -> None:
        source = rig(Fault(FaultName.HEATER_OFF, 0.0))
        found = seen(source, 3 * DAY_S, 60.0).temperatures_c
        assert found[12 * 60] < 24.0
        assert all(19.0 < temperature_c < 23.0 for temperature_c in found[-60:])

    def test_a_power_cut_stops_the_heater_as_well_and_a_stall_does_not(self) -> None:
        def after_eight_hours(name: FaultName) -> float:
            source = rig(Fault(name, 0.0, 8 * HOUR_S))
            return fmean(seen(source, 8 * HOUR_S + 600.0, 60.0).temperatures_c[-5:])

        assert after_eight_hours(FaultName.STALL) > 24.5
        assert after_eight_hours(FaultName.POWER_CUT) < 24.0

    def test_two_faults_at_once_both_show(self) -> None:
        source = rig(Fault(FaultName.KINK, 0.0), Fault(FaultName.PROBE_GONE, 0.0))
        found = seen(source, 300.0)
        assert found.flow < 0.4
        assert found.temperatures_c == []


class TestTemperature:
    def test_the_thermostat_holds_the_tank_and_the_outlet_follows_it(self) -> None:
        found = seen(rig(), 2 * DAY_S, 60.0).temperatures_c
        assert min(found) > 24.5
        assert max(found) < 25.5

    def test_another_set_point_is_held_as_well(self) -> None:
        source = rig(surroundings=Surroundings(set_point_c=28.0))
        found = seen(source, DAY_S, 60.0).temperatures_c
        assert fmean(found) == pytest.approx(28.0, abs=0.3)

    def test_the_probe_shows_steps_of_a_sixteenth(self) -> None:
        for temperature_c in seen(rig(), HOUR_S, 10.0).temperatures_c:
            assert temperature_c * 16 == round(temperature_c * 16)

    def test_the_still_water_in_the_outlet_decays_towards_the_room(self) -> None:
        # Invented time constant: 40 min. A room without swing makes the law plain.
        around_it = Surroundings(room_c=19.0, room_swing_c=0.0)
        found = seen(
            rig(Fault(FaultName.STALL, 0.0), surroundings=around_it), 6 * HOUR_S, 60.0
        ).temperatures_c
        for minutes in (20, 40, 80, 120, 240):
            expected_c = 19.0 + (found[0] - 19.0) * math.exp(-minutes / 40)
            assert fmean(found[minutes - 2 : minutes + 1]) == pytest.approx(expected_c, abs=0.25)
        assert fmean(found[-10:]) == pytest.approx(19.0, abs=0.1)

    def test_when_water_moves_again_the_outlet_is_as_warm_as_the_tank(self) -> None:
        source = rig(Fault(FaultName.STALL, 0.0, 4 * HOUR_S))
        stopped = seen(source, 4 * HOUR_S, 60.0).temperatures_c
        again = seen(source, 4 * HOUR_S + 120.0, 60.0, 4 * HOUR_S).temperatures_c
        assert stopped[-1] < 22.5
        assert again[-1] > 24.5

    def test_the_room_swings_over_the_day(self) -> None:
        source = rig(
            Fault(FaultName.STALL, 0.0), surroundings=Surroundings(room_c=20.0, room_swing_c=3.0)
        )
        found = hourly_means(seen(source, 2 * DAY_S, 60.0).temperatures_c[-24 * 60 :])
        assert max(found) == pytest.approx(23.0, abs=0.4)
        assert min(found) == pytest.approx(17.0, abs=0.4)


def hourly_means(minutes: Iterable[float]) -> list[float]:
    values = list(minutes)
    return [fmean(values[at : at + 60]) for at in range(0, len(values), 60)]


def test_the_sensors_wander_does_not_depend_on_the_stride() -> None:
    """A random walk pulled back within a day: its spread is the same at any stride."""

    def spread(stride_s: float) -> float:
        ends = []
        for seed in range(10):
            source = Rig(RigPlan("left", CIRCUIT, PULSES_PER_M3, seed=seed, days=8.0))
            time_s = 0.0
            while time_s < 1.5 * 86400:
                source.read(Moment(time_s, time_s))
                time_s += stride_s
            ends.append(source._drift)
        return pstdev(ends)

    assert spread(60.0) / spread(20.0) == pytest.approx(1.0, abs=0.6)


def test_a_short_fault_is_not_stepped_over() -> None:
    source = Rig(
        RigPlan("left", CIRCUIT, PULSES_PER_M3, faults=(Fault(FaultName.NOISY_WIRE, 605.0, 655.0),))
    )
    seen = []
    for time_s in range(0, 800, 60):
        seen += [r.quality for r in source.read(Moment(float(time_s), 0.0)) if isinstance(r, PulseReading)]  # fmt: skip
    assert seen.count(Quality.NOISY) == 1
