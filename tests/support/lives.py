"""Invented lives of filters, by physics that shares no equation with the estimator but conservation.

Fouling follows Hermia's general law in resistance, dR/dt = K·R^m·Q/A (Hermia 1982; m = 2 complete,
3/2 standard, 1 intermediate, 0 cake), and costs head R·Q, as a cake does; the clean circuit costs
a·Q^1.75 + b·Q²; the pump falls with its own exponent. Everything is drawn from the seed.
"""

from __future__ import annotations

import math
import random
from typing import NamedTuple

DAY_S = 86400.0
MINUTE_S = 60.0


class Life(NamedTuple):
    """One life: shares of clean flow by the minute as the sensor shows them, and the truth.

    `flows` is L/h by the minute, 0 while the pump is off; `due_minute` when the true flow was first
    down to the limit's share of what it was just after the cleaning, None if it never was;
    `clean_l_per_h` the flow without any dirt.
    """

    flows: list[float]
    temperatures: list[float]
    due_minute: int | None
    clean_l_per_h: float
    law: str


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
    rng = random.Random(seed)
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
    end = None
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
        warmth.append(25.0 + 0.4 * math.sin(2 * math.pi * of_day / 1440) + rng.gauss(0, 0.03))
        if due_minute is None and share <= due_share:
            due_minute = minute
            end = minute + 1440
        if end is not None and minute >= end:
            break
    return Life(flows, warmth, due_minute, clean * rated, law)


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
