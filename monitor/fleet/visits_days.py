"""The choice of days: which site on which day, and how much of its work, at the least cost. Pure.

A site has one option for each day and each depth (its filters in order of urgency, the first one, the
first two, ...), and that of being left for later. The way to a place is paid once a day. Days have
room for so many minutes and so many visits. That is a facility-location problem with knapsacks.

Method: prices on the room of each day (Lagrangian relaxation). Under given prices places are independent
of one another, and each is solved exactly over all sets of days, in arrays. Its value is a bound that no
plan can beat, whatever the prices; subgradient steps raise it (Held, Wolfe and Crowder, Mathematical
Programming 6 (1974) 62; Polyak's step). The plan under some prices, mended until it fits and improved by
moves, is the answer, and the gap to the bound says how good it is at the worst.

A general solver (HiGHS, as scipy.optimize.milp, gap 0.2 %) took 17 to 35 s for 5,000 sites, one depth
and five days where this took 1 to 4 s; the tests hold this against it and against trying everything.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.fleet.visits_moves import Moves

Floats = NDArray[np.float64]
NEVER = 1e9
"""Cost of what is not allowed."""
MOST_DAYS = 7
_STEPS, _TRIED_EVERY, _GOOD_ENOUGH = 160, 20, 5e-4
_VISIT_SCALE = (
    60.0  # minutes that a visit stands for, so that one step length suits both kinds of room
)


class Problem(NamedTuple):
    """What is to be chosen from; sites are ordered by place.

    Args:
        cost: of a site on a day to a depth, without the way; shape (sites, days, depths).
        minutes: at a site to a depth, without the way; shape (sites, depths).
        later: cost of leaving a site; shape (sites,).
        place: number of its place, ascending from 0 without gaps; shape (sites,).
        travel: minutes of the way to a place, which are also its cost.
        room_minutes, room_visits: of each day.
    """

    cost: Floats
    minutes: Floats
    later: Floats
    place: NDArray[np.int64]
    travel: float
    room_minutes: Floats
    room_visits: Floats


class Choice(NamedTuple):
    """The plan: day of each site (-1: later) and depth; its cost and the bound below every plan's."""

    day: NDArray[np.int64]
    depth: NDArray[np.int64]
    cost: float
    bound: float


def choose(problem: Problem) -> Choice:
    """Return the best plan found.

    Args:
        problem: at most `MOST_DAYS` days; each site that may not be left must fit, all of them together,
            on the days left to it.
    """
    sites, days, depths = problem.cost.shape
    if sites == 0 or days == 0:
        nothing = np.full(sites, -1)
        total = float(problem.later.sum())
        return Choice(nothing, np.zeros(sites, dtype=np.int64), total, total)
    priced = _Priced(problem)
    best, best_cost = _improved(problem, None)
    bound, at_bound, rate = -np.inf, np.zeros((2, days)), 1.0
    prices, stale = np.zeros((2, days)), 0
    for step in range(_STEPS):
        value, option, over = priced.solved(prices)
        if value > bound + 1e-9:
            bound, at_bound, stale = value, prices, 0
        else:
            stale += 1
        if step % _TRIED_EVERY == _TRIED_EVERY - 1 or step == 0:
            found, cost = _improved(problem, option)
            if cost < best_cost - 1e-9:
                best, best_cost = found, cost
        if best_cost - bound <= _GOOD_ENOUGH * max(1.0, abs(best_cost)):
            break
        if stale >= 12:
            rate, stale, prices = rate / 2, 0, at_bound
            continue
        over = np.where((prices <= 0.0) & (over < 0.0), 0.0, over)  # a price is not below nothing
        size = float((over * over).sum())
        if size < 1e-12:
            break
        prices = np.maximum(0.0, prices + rate * max(1e-6, best_cost - value) / size * over)
    left = best == days * depths
    return Choice(
        np.where(left, -1, best // depths),
        np.where(left, 0, best % depths),
        best_cost,
        min(bound, best_cost),
    )


def _improved(
    problem: Problem, option: NDArray[np.int64] | None
) -> tuple[NDArray[np.int64], float]:
    moves = Moves(problem, option)
    moves.mend()
    moves.improve()
    return moves.at, moves.cost() if moves.fits() else np.inf


class _Priced:
    """Solves the problem without room, but with prices on what it takes."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        days = problem.cost.shape[1]
        self._starts = np.flatnonzero(np.diff(problem.place, prepend=-1))
        sets = np.arange(2**days)
        self._in_set: Any = (sets[:, None] >> np.arange(days)) & 1
        self._sites = np.arange(len(problem.place))

    def solved(self, prices: Floats) -> tuple[float, NDArray[np.int64], Floats]:
        """Return the bound, each site's option, and by how much each day's room is overrun.

        Args:
            prices: of minutes and of visits, as multiples of `_VISIT_SCALE`; shape (2, days).
        """
        p = self._problem
        days, depths = p.cost.shape[1:]
        per_minute, per_visit = prices[0], prices[1] * _VISIT_SCALE
        dear = p.cost + per_minute[None, :, None] * p.minutes[:, None, :] + per_visit[None, :, None]
        depth = dear.argmin(axis=2)
        by_day = np.take_along_axis(dear, depth[:, :, None], axis=2)[:, :, 0]
        best = np.empty((len(p.later), 2**days))
        best[:, 0] = p.later
        for day in range(days):
            half = 1 << day
            np.minimum(best[:, :half], by_day[:, day : day + 1], out=best[:, half : 2 * half])
        of_place = np.add.reduceat(best, self._starts, axis=0)
        of_place += self._in_set @ (p.travel * (1.0 + per_minute))
        chosen = of_place.argmin(axis=1)
        value = float(np.take_along_axis(of_place, chosen[:, None], axis=1).sum())
        value -= float(per_minute @ p.room_minutes + per_visit @ p.room_visits)
        open_days = self._in_set[chosen][p.place].astype(bool)
        allowed = np.where(open_days, by_day, np.inf)
        day_of = allowed.argmin(axis=1)
        goes = allowed[self._sites, day_of] < p.later
        option = np.where(goes, day_of * depths + depth[self._sites, day_of], days * depths)
        used = Moves.usage(p, option)
        room = np.stack([p.room_minutes, p.room_visits])
        over = used - room
        over[1] *= _VISIT_SCALE
        return value, option, over
