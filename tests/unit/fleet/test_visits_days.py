"""The choice of days against trying everything, and against a general solver on larger instances."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from monitor.fleet.visits_days import NEVER, Choice, Problem, choose
from monitor.fleet.visits_moves import Moves


def drawn(seed: int, sites: int, days: int, depths: int, room: float) -> Problem:
    """An invented problem: costs that fall and rise over the days, some sites bound to a day."""
    chance = np.random.default_rng(seed)
    place = np.unique(np.sort(chance.integers(0, max(1, sites // 2), sites)), return_inverse=True)[
        1
    ]
    minutes = np.cumsum(chance.uniform(10, 50, (sites, depths)), axis=1)
    later = chance.uniform(0, 150, sites)
    cost = minutes[:, None, :] + chance.uniform(0, 60, (sites, days, depths))
    cost += np.abs(np.arange(days)[None, :, None] - chance.uniform(0, days, (sites, 1, 1))) * 10
    if chance.random() < 0.4:
        bound = int(chance.integers(sites))
        cost[bound, 1:] = NEVER
        later[bound] = NEVER
    seats = float(chance.integers(1, 4)) if chance.random() < 0.3 else float(sites)
    at_least = 25.0 + float(minutes[:, 0].max())
    rooms = np.maximum(at_least, chance.uniform(0.5, 1.5, days) * room)
    return Problem(cost, minutes, later, place, 25.0, rooms, np.full(days, seats))


def judged(p: Problem, options: tuple[int, ...]) -> float:
    """Cost of a plan, from the words of `Problem` alone; infinite where it does not fit."""
    days, depths = p.cost.shape[1:]
    total, used, seats = 0.0, np.zeros(days), np.zeros(days)
    trips: set[tuple[int, int]] = set()
    for site, option in enumerate(options):
        if option == days * depths:
            total += p.later[site]
            continue
        day, depth = divmod(option, depths)
        total += p.cost[site, day, depth]
        used[day] += p.minutes[site, depth]
        seats[day] += 1
        if (p.place[site], day) not in trips:
            trips.add((int(p.place[site]), day))
            total += p.travel
            used[day] += p.travel
    if (used > p.room_minutes + 1e-6).any() or (seats > p.room_visits).any():
        return float("inf")
    return float(total)


def options(p: Problem, found: Choice) -> tuple[int, ...]:
    days, depths = p.cost.shape[1:]
    return tuple(
        days * depths if day < 0 else int(day * depths + depth)
        for day, depth in zip(found.day, found.depth, strict=True)
    )


@pytest.mark.parametrize("depths", [1, 2])
def test_small_problems_are_solved_as_by_trying_everything(depths: int) -> None:
    """150 problems of each kind, all plans tried; the mean loss stays under 0.2 %, the worst under 8 %."""
    losses = []
    for seed in range(150):
        sites = 5 if depths == 1 else 4
        p = drawn(seed, sites, 2 if depths == 2 else 3, depths, 110.0)
        everything = itertools.product(range(p.cost.shape[1] * depths + 1), repeat=sites)
        best = min(judged(p, plan) for plan in everything)
        found = choose(p)
        assert judged(p, options(p, found)) == pytest.approx(found.cost)
        assert found.bound <= best + 1e-6 <= found.cost + 2e-6
        losses.append(found.cost / best - 1.0)
    print(f"depths {depths}: best in {sum(x < 1e-9 for x in losses)} of {len(losses)}, "
          f"mean loss {np.mean(losses):.3%}, worst {max(losses):.2%}")  # fmt: skip
    assert np.mean(losses) < 0.002
    assert max(losses) < 0.08
    assert sum(x < 1e-9 for x in losses) >= 0.93 * len(losses)


@pytest.mark.parametrize("seed", range(5))
def test_larger_problems_are_near_what_a_general_solver_proves(seed: int) -> None:
    p = drawn(seed, 80, 5, 2, 500.0)
    found = choose(p)
    assert judged(p, options(p, found)) == pytest.approx(found.cost)
    proven = solved(p)
    assert found.bound <= proven[0] * (1 + 1e-6)
    assert found.cost <= proven[0] * 1.005, (found.cost, proven)
    assert found.cost >= proven[1] * (1 - 1e-6)


def solved(p: Problem) -> tuple[float, float]:
    """The least cost by HiGHS through scipy: what it found, and the bound that it proved."""
    sites, days, depths = p.cost.shape
    places, count = int(p.place.max()) + 1, sites * days * depths
    size = count + places * days
    at = np.arange(count).reshape(sites, days, depths)
    way = count + np.arange(places * days).reshape(places, days)
    cost = np.concatenate(
        [(p.cost - p.later[:, None, None]).ravel(), np.full(places * days, p.travel)]
    )
    once, linked = np.zeros((sites, size)), np.zeros((sites * days, size))
    room, seats = np.zeros((days, size)), np.zeros((days, size))
    for site in range(sites):
        once[site, at[site].ravel()] = 1
        for day in range(days):
            linked[site * days + day, at[site, day]] = 1
            linked[site * days + day, way[p.place[site], day]] = -1
            room[day, at[site, day]] = p.minutes[site]
            seats[day, at[site, day]] = 1
    for day in range(days):
        room[day, way[:, day]] = p.travel
    bound = p.later >= NEVER
    result = milp(
        cost,
        integrality=np.ones(size),
        bounds=Bounds(0, np.where(cost > NEVER / 2, 0, 1)),
        constraints=[
            LinearConstraint(once, bound.astype(float), 1),
            LinearConstraint(linked, -np.inf, 0),
            LinearConstraint(room, -np.inf, p.room_minutes),
            LinearConstraint(seats, -np.inf, p.room_visits),
        ],
        options={"mip_rel_gap": 1e-4, "time_limit": 20},
    )
    return float(p.later.sum() + result.fun), float(p.later.sum() + result.mip_dual_bound)


def test_no_sites_or_no_days_is_no_error() -> None:
    p = drawn(1, 3, 2, 1, 200.0)
    none = p._replace(cost=p.cost[:, :0], room_minutes=np.zeros(0), room_visits=np.zeros(0))
    assert choose(none).cost == pytest.approx(p.later.sum())
    empty = p._replace(cost=p.cost[:0], minutes=p.minutes[:0], later=p.later[:0], place=p.place[:0])
    assert choose(empty).cost == 0.0


def test_a_plan_that_overruns_is_mended() -> None:
    p = drawn(7, 12, 3, 2, 150.0)
    moves = Moves(p, np.zeros(12, dtype=np.int64))
    assert not moves.fits()
    moves.mend()
    assert moves.fits()
    assert judged(p, tuple(int(o) for o in moves.at)) == pytest.approx(moves.cost())
