"""Invented lives of filters, by physics that shares no equation with the estimator but conservation.

Fouling follows Hermia's general law in resistance, dR/dt = K·R^m·Q/A (Hermia 1982; m = 2 complete,
3/2 standard, 1 intermediate, 0 cake), and costs head R·Q, as a cake does; the clean circuit costs
a·Q^1.75 + b·Q²; the pump falls with its own exponent. Everything is drawn from the seed.

Each life that comes due has an ordinary stop of 45 minutes on its second day and one mishap between a
quarter and three quarters of its way, while the pump runs. What the meter and the probe show then is
made here, by the second: a share of clean flow with noise, and an outlet that follows the tank while
water moves and goes to the room's temperature with a time constant of its own (Newton) while none
does. A mishap is too short for the dirt to notice: the cake grows as if it had not been.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from typing import NamedTuple

DAY_S = 86400.0
MINUTE_S = 60.0
_PROBE_K = 0.03  # scatter of the probe


class Outlet(NamedTuple):
    """The room and how fast still water in the outlet goes to its temperature."""

    room_c: float
    constant_s: float

    def left(self, from_c: float, span_s: float) -> float:
        """The temperature of water that stands for a span."""
        return self.room_c + (from_c - self.room_c) * math.exp(-span_s / self.constant_s)


class Mishap(NamedTuple):
    """Something that happens at `start_s < t <= end_s`; `share` of clean flow is left of the water.

    `swing` is the standard deviation by the second, as a share of what flows.
    """

    kind: str
    start_s: int
    end_s: int
    share: float
    swing: float = 0.0


class Shown(NamedTuple):
    """What meter and probe show over the `span_s` that end at `time_s`; `None`: nothing."""

    time_s: float
    span_s: float
    flow_l_per_h: float | None
    temperature_c: float | None


class Life(NamedTuple):
    """One life: shares of clean flow by the minute as the sensor shows them, and the truth.

    `flows` is L/h by the minute, 0 while the pump is off; `due_minute` when the true flow was first
    down to the limit's share of what it was just after the cleaning, None if it never was;
    `clean_l_per_h` the flow without any dirt. `mishaps`: the ordinary stop, then the fault, none for
    a life that never comes due; `flows` and `temperatures` know nothing of them.
    """

    flows: list[float]
    temperatures: list[float]
    due_minute: int | None
    clean_l_per_h: float
    law: str
    noise: float
    outlet: Outlet
    mishaps: tuple[Mishap, ...]


class Body(NamedTuple):
    """Pump and clean circuit in reduced units: rated flow 1, shut-off head 1."""

    exponent: float
    smooth: float
    rough: float


def flow(body: Body, cake: float) -> float:
    """The flow where pump and circuit agree, by bisection; rated flow is 1."""
    low, high = 0.0, 1.0
    for _ in range(40):
        q = (low + high) / 2
        asked = body.smooth * q**1.75 + body.rough * q * q + cake * q
        low, high = (q, high) if 1.0 - q**body.exponent > asked else (low, q)
    return low


LAWS = {"cake": 0.0, "intermediate": 1.0, "standard": 1.5, "complete": 2.0}


def live(seed: int, limit: float = 0.75, days: float = 180.0) -> Life:
    """Return one life from clean; it ends a day after due or at `days`."""
    rng, chance = random.Random(seed), random.Random(f"mishaps of {seed}")
    # Warmer than 23 °C or slower than half an hour, and no one could read a stop from the outlet.
    outlet = Outlet(chance.uniform(16.0, 23.0), chance.uniform(480.0, 1800.0))
    body = Body(rng.uniform(1.4, 3.0), rng.uniform(0.2, 1.2), rng.uniform(0.3, 2.5))
    clean = flow(body, 0.0)
    rated = rng.uniform(400, 2500)
    law = rng.choice(list(LAWS))
    m = LAWS[law]
    wanted_s = rng.uniform(20, 120) * DAY_S
    start = rng.uniform(0.005, 0.05)
    due_cake = due_resistance(body, clean, limit)
    # K so that, at constant load, the cake at due is reached at about the time wanted.
    k = growth_time(start * due_cake, due_cake, m) / wanted_s
    cake, flows, warmth = start * due_cake, [], []
    wander, due_minute = 0.0, None
    gain = 1.0 + rng.gauss(0, 0.002)
    feeding, off_at_night = rng.random() < 0.6, rng.random() < 0.15
    noise = rng.uniform(0.002, 0.01)
    load, load_to = 1.0, 1.0
    share = flow(body, cake) / clean
    # A cleaning leaves a little dirt; clean flow is what the filter gives after it.
    due_share = limit * share
    end, at_outlet_c = None, 25.0
    for minute in range(int(days * 1440)):
        if minute % 720 == 0:
            load_to = rng.lognormvariate(0.0, 0.35)
        load += (load_to - load) / 720
        of_day = (minute + 480) % 1440  # lives begin at eight in the morning
        off = (feeding and 600 <= of_day < 610) or (off_at_night and of_day < 300)
        wander += rng.gauss(0, 0.00006) - wander * 0.00002
        if off:
            flows.append(0.0)
        else:
            cake = grown(cake, m, k, share * load, MINUTE_S)
            if minute % 10 == 0:
                share = flow(body, cake) / clean
            seen = share * (gain + wander) * (1 + rng.gauss(0, noise / 3))
            flows.append(seen * clean * rated)
        tank_c = 25.0 + 0.4 * math.sin(2 * math.pi * of_day / 1440)
        at_outlet_c = outlet.left(at_outlet_c, MINUTE_S) if off else tank_c
        warmth.append(at_outlet_c + rng.gauss(0, _PROBE_K))
        if due_minute is None and share <= due_share:
            due_minute = minute
            end = minute + 1440
        if end is not None and minute >= end:
            break
    mishaps = () if due_minute is None else befallen(seed, chance, flows, due_minute)
    return Life(flows, warmth, due_minute, clean * rated, law, noise, outlet, mishaps)


# What is left of clean flow, drawn between two bounds, and the swing, likewise. A hose that comes off
# takes its own resistance away. Common practice, no source.
MISHAPS: dict[str, tuple[float, float, float, float]] = {
    "pump stalled": (0.0, 0.0, 0.0, 0.0),
    "kink": (0.30, 0.40, 0.0, 0.0),
    "blocked": (0.06, 0.10, 0.0, 0.0),
    "air": (0.35, 0.45, 0.25, 0.6),
    "hose off": (1.3, 1.45, 0.0, 0.0),
    "jammed sensor": (1.0, 1.0, 0.0, 0.0),
    "probe unplugged": (1.0, 1.0, 0.0, 0.0),
    "meter silent": (1.0, 1.0, 0.0, 0.0),
}
STOP = "ordinary stop"


def befallen(
    seed: int, chance: random.Random, flows: list[float], due_minute: int
) -> tuple[Mishap, ...]:
    """Draw the ordinary stop of day two and the fault; each kind of fault has every eighth seed."""
    kind = list(MISHAPS)[seed % len(MISHAPS)]
    low, high, calm, wild = MISHAPS[kind]
    stop_s = _while_running(chance, flows, 1440, 2880 - 60, 2700)
    lasts_s = round(chance.uniform(2400, 3600))
    start_s = _while_running(chance, flows, int(0.25 * due_minute), int(0.75 * due_minute), lasts_s)
    return (
        Mishap(STOP, stop_s, stop_s + 2700, 0.0),
        Mishap(
            kind, start_s, start_s + lasts_s, chance.uniform(low, high), chance.uniform(calm, wild)
        ),
    )


def _while_running(
    chance: random.Random, flows: list[float], low: int, high: int, lasts_s: int
) -> int:
    """A second between two minutes from which on the pump is meant to run, with an hour to spare."""
    while True:
        start_s = chance.randrange(low * 60, high * 60)
        minute = start_s // 60
        if all(flows[minute - 60 : minute + lasts_s // 60 + 60]):
            return start_s


def shown(life: Life, until_minute: int) -> Iterator[Shown]:
    """Play a life: a value a minute, and one a second from a minute before a mishap to its end."""
    generator = random.Random(repr(life.mishaps))
    near = {
        minute: mishap
        for mishap in life.mishaps
        for minute in range(mishap.start_s // 60, -(-mishap.end_s // 60) + 1)
    }
    for minute in range(until_minute):
        mishap = near.get(minute)
        if mishap is None:
            yield Shown(60.0 * minute, 60.0, life.flows[minute], life.temperatures[minute])
            continue
        for second in range(60 * minute - 59, 60 * minute + 1):
            yield _in_second(life, mishap, minute, second, generator)


def _in_second(
    life: Life, mishap: Mishap, minute: int, second: int, generator: random.Random
) -> Shown:
    """What is shown in one second on the minute's flow and temperature."""
    flow: float | None = life.flows[minute] * (1 + generator.gauss(0, life.noise))
    warm: float | None = life.temperatures[minute] + generator.gauss(0, _PROBE_K)
    if mishap.start_s < second <= mishap.end_s:
        stood_s = second - mishap.start_s
        if mishap.kind == "meter silent":
            flow = None
        elif mishap.kind == "probe unplugged":
            warm = None
        elif mishap.kind == "jammed sensor":
            flow = 0.0
        else:
            swing = generator.gauss(0, math.hypot(life.noise, mishap.swing))
            flow = max(0.0, life.clean_l_per_h * mishap.share * (1 + swing))
        if mishap.share == 0.0:
            tank_c = life.temperatures[mishap.start_s // 60]
            warm = life.outlet.left(tank_c, stood_s) + generator.gauss(0, _PROBE_K)
    return Shown(float(second), 1.0, flow, warm)


def grown(resistance: float, m: float, k: float, flux: float, span_s: float) -> float:
    """Resistance after a span in which dR/dt = k·R^m·q holds at a constant flux q: exact."""
    filtered = k * flux * span_s
    if m == 0.0:
        return resistance + filtered
    if m == 1.0:
        return resistance * math.exp(filtered)
    power = resistance ** (1 - m) - (m - 1) * filtered
    return power ** (1 / (1 - m)) if power > 0 else math.inf


def due_resistance(body: Body, clean: float, limit: float) -> float:
    """The cake's resistance at which flow is down to the limit."""
    q = clean * limit
    return (1.0 - q**body.exponent - body.smooth * q**1.75 - body.rough * q * q) / q


def growth_time(start: float, end: float, m: float) -> float:
    """∫ dR/R^m from start to end: time at K·Q/A = 1."""
    if m == 0.0:
        return end - start
    if m == 1.0:
        return math.log(end / start)
    return (start ** (1 - m) - end ** (1 - m)) / (m - 1)
