"""A simulated filter as a source: pump, hoses, fouling media, sensor, tank, heater, room.

The rig is reproducible from its seed and runs on the time it is given, so it serves as a source
in real time and, through `moments`, at any speed. Its figures are invented.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

import msgspec

from monitor.records import (
    FilterId,
    Health,
    Moment,
    PulseReading,
    Quality,
    Reading,
    TemperatureReading,
)
from monitor.sensing.faults import Fault, FaultName
from monitor.sizing.circuit import Circuit, solve_flow_m3_per_s
from monitor.sizing.water import water

_LONGEST_STRIDE_S = 60.0
_BUSY_BEFORE_S, _BUSY_AFTER_S = 60.0, 900.0
_DAY_S = 86400.0
_DUE_SHARE = 0.75
_GROWTH = 3.0  # fouling grows e³-fold on its way to due: slow at first, as it is in tanks
_RESIDUAL = 0.02  # of the due resistance, left after a cleaning
_SENSOR_CUT_OFF_SHARE = 0.02  # of rated flow: the rotor stands still below
_NOISE_HZ = 5000.0
_MAINS_HZ = 50.01  # a grid is never quite at its nominal rate
_WATER_J_PER_M3_K = 4.18e6
_OUTLET_COOLS_S = 2400.0  # the still water in the outlet hose follows the room
_PROBE_STEP_C = 1 / 16


class Surroundings(msgspec.Struct, frozen=True):
    """Tank, heater and room of the rig."""

    tank_m3: float = 0.18
    set_point_c: float = 25.0
    room_c: float = 21.0
    room_swing_c: float = 1.5
    heater_w: float = 150.0
    cooling_s: float = 15 * 3600.0


class RigPlan(msgspec.Struct, frozen=True):
    """What the rig of one filter is made of.

    `due_days` is about how long a clean filter takes to be due; the seed varies it by a fifth.
    `coarse_s` is the stride of `moments` in quiet stretches; it is 1 s around faults and cleanings.
    """

    filter_id: FilterId
    circuit: Circuit
    pulses_per_m3: float
    seed: int = 1
    due_days: float = 24.0
    days: float = 40.0
    coarse_s: float = _LONGEST_STRIDE_S
    faults: tuple[Fault, ...] = ()
    surroundings: Surroundings = Surroundings()
    start_utc_s: float = 0.0
    has_probe: bool = True


class Rig:
    """One simulated filter, from clean."""

    def __init__(self, plan: RigPlan) -> None:
        self.plan = plan
        self._random = random.Random(plan.seed)
        self._water = water(plan.surroundings.set_point_c)
        self._clean_m3_per_s = solve_flow_m3_per_s(plan.circuit, self._water)
        self._due_k = self._resistance_at(_DUE_SHARE)
        self._due_s = plan.due_days * _DAY_S * self._random.uniform(0.8, 1.2)
        self._fouling = self._due_k * _RESIDUAL
        self._pump_off: tuple[float, float] | None = None
        self._plugged = True
        self._pulse_rest = 0.0
        self._drift = 0.0
        self._tank_c = plan.surroundings.set_point_c
        self._outlet_c = self._tank_c
        self._heating = False
        self._time_s = 0.0
        self._first_line_s: float | None = None
        self._busy: list[float] = sorted(
            t for f in plan.faults for t in (f.start_s, f.end_s) if math.isfinite(t)
        )

    def start(self) -> None:
        """Nothing to open."""

    def close(self) -> None:
        """Nothing to let go of."""

    def health(self, now: Moment) -> Health:
        """A rig always works; what is at fault in it is what was asked for."""
        return Health(f"rig {self.plan.filter_id}", True, f"simulated, seed {self.plan.seed}")

    def moments(self) -> Iterator[Moment]:
        """Yield the moments of the rehearsal: coarse in quiet stretches, 1 s around the rest."""
        time_s, end_s = 0.0, self.plan.days * _DAY_S
        while time_s < end_s:
            yield Moment(time_s, self.plan.start_utc_s + time_s)
            time_s += self.stride_s(time_s)

    def clean_at(self, time_s: float, takes_s: float) -> None:
        """Let the keeper clean the filter: pump off from `time_s` for `takes_s`, then clean."""
        self._pump_off = (time_s, time_s + takes_s)
        self._busy = sorted([*self._busy, time_s, time_s + takes_s])

    def plug(self, on: bool) -> None:
        """Plug the pump in, or pull its plug, from now on."""
        self._plugged = on

    @property
    def clean_m3_per_s(self) -> float:
        """The flow of the rig when it is clean."""
        return self._clean_m3_per_s

    def stride_s(self, time_s: float) -> float:
        """Return how far the rehearsal may go from a time before it should look again."""
        stride = self.plan.coarse_s
        for busy in self._busy:
            if busy - _BUSY_BEFORE_S <= time_s < busy + _BUSY_AFTER_S:
                return 1.0
            if time_s < busy - _BUSY_BEFORE_S:
                stride = min(stride, busy - _BUSY_BEFORE_S - time_s)
        return max(1.0, stride)

    def read(self, now: Moment) -> tuple[Reading, ...]:
        """Simulate up to `now` and return what sensor and probe show of it."""
        if self._first_line_s is None:
            self._first_line_s = now.line_s
            return ()
        until_s = now.line_s - self._first_line_s
        span_s, flow, turns = until_s - self._time_s, 0.0, 0.0
        if span_s <= 0.0:
            return ()
        noisy = gone = False
        while self._time_s < until_s:
            stride = min(_LONGEST_STRIDE_S, until_s - self._time_s, self._next_change_s())
            noisy = noisy or self._at(FaultName.NOISY_WIRE)
            gone = gone or self._at(FaultName.PROBE_GONE)
            flow = self._flow(self._time_s, stride)
            self._foul(flow, stride)
            self._warm(flow, stride)
            turns += self._turns(flow, stride)
            self._time_s += stride
        quality = Quality.NOISY if noisy else Quality.GOOD
        pulses = round(span_s * _NOISE_HZ) if quality is Quality.NOISY else self._whole(turns)
        found: list[Reading] = [PulseReading(self.plan.filter_id, span_s, pulses, quality)]
        if self.plan.has_probe:
            found.append(self._probe(gone))
        return tuple(found)

    def _next_change_s(self) -> float:
        """Seconds until a fault begins or ends, so that no stride passes over one."""
        ahead = [t - self._time_s for f in self.plan.faults for t in (f.start_s, f.end_s)]
        return min((t for t in ahead if t > 0.0), default=math.inf)

    def _at(self, *names: FaultName) -> bool:
        return any(f.name in names and f.at(self._time_s) for f in self.plan.faults)

    def _resistance_at(self, share: float) -> float:
        """The added resistance in s²/m⁵ that brings the flow down to a share of clean."""
        flow = self._clean_m3_per_s * share
        circuit = self.plan.circuit
        return (circuit.pump.head_m(flow) - circuit.loss_m(flow, self._water)) / flow**2

    def _flow(self, time_s: float, stride_s: float) -> float:
        if self._pump_off is not None:
            start_s, end_s = self._pump_off
            if start_s <= time_s < end_s:
                return 0.0
            if time_s >= end_s:
                self._pump_off = None
                self._fouling = self._due_k * _RESIDUAL * self._random.uniform(0.5, 1.5)
        if not self._plugged or self._at(FaultName.STALL, FaultName.POWER_CUT):
            return 0.0
        extra = self._fouling
        if self._at(FaultName.KINK):
            extra += self._resistance_at(0.35)
        if self._at(FaultName.BLOCKED):
            extra += self._resistance_at(0.08)
        flow = solve_flow_m3_per_s(self.plan.circuit, self._water, extra)
        if self._at(FaultName.HOSE_OFF):
            flow = min(self.plan.circuit.pump.rated_flow_m3_per_s, 1.3 * flow)
        if self._at(FaultName.AIR):
            # Bubbles come by the second; over a longer stride they average out.
            draws = max(1, min(60, round(stride_s)))
            flow *= 0.3 * sum(self._random.lognormvariate(0.0, 0.8) for _ in range(draws)) / draws
        return flow

    def _foul(self, flow: float, stride_s: float) -> None:
        """Dirt arrives with the water; what is there already holds back more of it."""
        floor = self._due_k / math.expm1(_GROWTH)
        load = flow / self._clean_m3_per_s
        self._fouling += (floor + self._fouling) * _GROWTH / self._due_s * load * stride_s

    def _warm(self, flow: float, stride_s: float) -> None:
        around = self.plan.surroundings
        day = 2 * math.pi * self._time_s / _DAY_S
        room_c = around.room_c + around.room_swing_c * math.sin(day)
        if self._tank_c < around.set_point_c - 0.25:
            self._heating = True
        elif self._tank_c > around.set_point_c + 0.25:
            self._heating = False
        on = self._heating or self._at(FaultName.HEATER_ON)
        if self._at(FaultName.HEATER_OFF, FaultName.POWER_CUT):
            on = False
        gain = around.heater_w / (around.tank_m3 * _WATER_J_PER_M3_K) if on else 0.0
        self._tank_c += stride_s * (gain - (self._tank_c - room_c) / around.cooling_s)
        if flow > 0:
            self._outlet_c = self._tank_c
        else:
            self._outlet_c += (self._outlet_c - room_c) * math.expm1(-stride_s / _OUTLET_COOLS_S)

    def _turns(self, flow: float, stride_s: float) -> float:
        """Pulses, not yet whole, of a rotor that wanders a little and sticks at a trickle."""
        if self._at(FaultName.MAINS_HUM):
            return _MAINS_HZ * stride_s
        cut_off = _SENSOR_CUT_OFF_SHARE * self.plan.circuit.pump.rated_flow_m3_per_s
        if flow < cut_off or self._at(FaultName.JAMMED_SENSOR):
            return 0.0
        noise = self._random.gauss(0.0, 0.01 / math.sqrt(max(1.0, stride_s)))
        pull = -1e-5 * stride_s * self._drift
        self._drift += self._random.gauss(0.0, 2e-5 * math.sqrt(stride_s)) + pull
        return flow * self.plan.pulses_per_m3 * stride_s * (1.0 + noise + self._drift)

    def _whole(self, turns: float) -> int:
        self._pulse_rest += max(0.0, turns)
        pulses = int(self._pulse_rest)
        self._pulse_rest -= pulses
        return pulses

    def _probe(self, gone: bool) -> TemperatureReading:
        if gone:
            return TemperatureReading(self.plan.filter_id, None, Quality.DISCONNECTED)
        seen_c = self._outlet_c + self._random.gauss(0.0, 0.03)
        return TemperatureReading(
            self.plan.filter_id, round(seen_c / _PROBE_STEP_C) * _PROBE_STEP_C
        )
