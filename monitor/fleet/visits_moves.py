"""Mends a plan of visits until it fits, and improves it by moves: see `monitor.fleet.visits_days`. Pure.

An option of a site is `day * depths + depth`, or `days * depths` for being left. Every pass computes
what each move would bring, for all sites at once, and then takes moves in order of what they bring a
minute; a place is touched once a pass, so that what was computed of it holds.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Options = NDArray[np.int64]
_SLACK, _GAIN = 1e-9, 1e-7
_PASSES = 60
_SWAPS = 40  # moves that want room and for which somebody else is looked for, a pass


class Moves:
    """A plan that can be changed.

    Args:
        problem: see `monitor.fleet.visits_days.Problem`.
        option: of each site to begin with; `None` for everything left that may be.
    """

    def __init__(self, problem: Any, option: Options | None) -> None:
        self.p = problem
        self.sites, self.days, self.depths = problem.cost.shape
        self.later = self.days * self.depths
        flat = problem.cost.reshape(self.sites, -1)
        self.value: Floats = np.concatenate([flat, problem.later[:, None]], axis=1)
        self.work: Floats = np.concatenate(
            [np.tile(problem.minutes, (1, self.days)), np.zeros((self.sites, 1))], axis=1
        )
        self.day_of = np.repeat(np.arange(self.days + 1), self.depths)[: self.later + 1]
        self.rows = np.arange(self.sites)
        self.starts = np.flatnonzero(np.diff(problem.place, prepend=-1))
        self.at: Options = self._least() if option is None else option.copy()
        self.count = np.zeros((len(self.starts), self.days), dtype=np.int64)
        going = self.at < self.later
        np.add.at(self.count, (problem.place[going], self.day_of[self.at[going]]), 1)
        self.used = self.usage(problem, self.at)
        self.room = np.stack([problem.room_minutes, problem.room_visits])

    def _least(self) -> Options:
        """Left where that is allowed, else the least work on the first day that is allowed."""
        bound = self.p.later >= 1e8
        allowed = np.where(self.value < 1e8, self.work + 1e-3 * self.day_of[None, :], np.inf)
        return np.asarray(np.where(bound, allowed.argmin(axis=1), self.later))

    @staticmethod
    def usage(problem: Any, option: Options) -> Floats:
        """Return the minutes and the visits of each day; shape (2, days)."""
        _, days, depths = problem.cost.shape
        going = np.flatnonzero(option < days * depths)
        day, depth = option[going] // depths, option[going] % depths
        minutes = np.bincount(day, problem.minutes[going, depth], minlength=days).astype(np.float64)
        trips = np.unique(problem.place[going] * days + day) % days
        minutes += problem.travel * np.bincount(trips, minlength=days)
        return np.stack([minutes, np.bincount(day, minlength=days).astype(np.float64)])

    def cost(self) -> float:
        """Return what the plan costs."""
        return float(self.value[self.rows, self.at].sum() + self.p.travel * (self.count > 0).sum())

    def fits(self) -> bool:
        """Return whether no day is overrun."""
        return bool((self.used <= self.room + 1e-6).all())

    # --- one site moves

    def _table(self) -> tuple[Floats, Floats]:
        """What every move of one site changes: the cost, and the minutes of the day it goes to."""
        p, later = self.p, self.later
        own_day = self.day_of[self.at]
        going = self.at < later
        alone = np.zeros(self.sites, dtype=bool)
        alone[going] = self.count[p.place[going], own_day[going]] == 1
        opens = np.zeros((self.sites, later + 1))
        opens[:, :later] = np.repeat(self.count[p.place] == 0, self.depths, axis=1)
        same = self.day_of[None, :] == own_day[:, None]
        cost = self.value - self.value[self.rows, self.at][:, None]
        cost += p.travel * (opens - np.where(same, 0.0, alone[:, None]))
        minutes = self.work + p.travel * opens
        minutes = minutes - np.where(
            same & going[:, None], self.work[self.rows, self.at][:, None], 0.0
        )
        return cost, minutes

    def _has_room(self, minutes: Floats, own_day: Options) -> NDArray[np.bool_]:
        """Where a move fits: minutes and, if it is another day, one more visit."""
        spare = np.append(self.room[0] - self.used[0], np.inf)
        seats = np.append(self.room[1] - self.used[1], np.inf)
        fits = minutes <= spare[self.day_of][None, :] + _SLACK
        enters = self.day_of[None, :] != own_day[:, None]
        return np.asarray(fits & (~enters | (seats[self.day_of][None, :] >= 1.0)))

    def _go(self, site: int, option: int) -> float:
        """Move one site; return what that changes the cost by."""
        p, old = self.p, int(self.at[site])
        place = int(p.place[site])
        change = float(self.value[site, option] - self.value[site, old])
        for way, which in ((-1, old), (1, option)):
            if which == self.later:
                continue
            day = int(self.day_of[which])
            before = self.count[place, day] > 0
            self.count[place, day] += way
            trips = int(self.count[place, day] > 0) - int(before)
            self.used[0, day] += way * self.work[site, which] + trips * p.travel
            self.used[1, day] += way
            change += trips * p.travel
        self.at[site] = option
        return change

    def _fits_now(self, site: int, option: int) -> bool:
        old = int(self.at[site])
        self._go(site, option)
        day = self.day_of[option]
        good = option == self.later or bool((self.used[:, day] <= self.room[:, day] + 1e-6).all())
        if not good:
            self._go(site, old)
        return good

    def mend(self) -> None:
        """Take work off the days that are overrun, the least loss for a minute first."""
        for _ in range(_PASSES):
            over = (self.used > self.room + 1e-6).any(axis=0)
            if not over.any():
                return
            cost, minutes = self._table()
            own = self.day_of[self.at]
            there = np.flatnonzero((self.at < self.later) & np.append(over, False)[own])
            away = (
                self._has_room(minutes, own)[there] & ~np.append(over, False)[self.day_of][None, :]
            )
            less = (self.day_of[None, :] == own[there][:, None]) & (minutes[there] < -_SLACK)
            loss = np.where(away | less, cost[there], np.inf)
            freed = np.where(less, -minutes[there], self.work[there, self.at[there]][:, None])
            rate = loss / np.maximum(freed, 1.0)
            best = rate.argmin(axis=1)
            found = False
            for row in np.argsort(rate[np.arange(len(there)), best]):
                site, day = int(there[row]), int(own[there[row]])
                if loss[row, best[row]] >= 1e8:
                    break
                if (self.used[:, day] <= self.room[:, day] + 1e-6).all():
                    continue
                if less[row, best[row]]:
                    self._go(site, int(best[row]))
                    found = True
                else:
                    found = self._fits_now(site, int(best[row])) or found
            if not found:
                return

    def improve(self) -> None:
        """Make moves that save something until there are none."""
        for _ in range(_PASSES):
            if not (self._single() or self._together() or self._swap()):
                return

    def _single(self) -> bool:
        cost, minutes = self._table()
        open_to = self._has_room(minutes, self.day_of[self.at]) & (cost < -_GAIN)
        if not open_to.any():
            return False
        worth = np.where(open_to, cost / np.maximum(minutes, 1.0), np.inf)
        best = worth.argmin(axis=1)
        order = np.argsort(worth[self.rows, best])
        touched: set[int] = set()
        for site in order:
            if not open_to[site, best[site]]:
                break
            place = int(self.p.place[site])
            if place not in touched and self._fits_now(int(site), int(best[site])):
                touched.add(place)
        return bool(touched)

    # --- a whole place moves

    def _together(self) -> bool:
        """Bring several sites of a place to a day together, or give up a place on a day."""
        return self._open_places() or self._close_places()

    def _open_places(self) -> bool:
        by_day = self.p.cost
        depth = by_day.argmin(axis=2)
        gain = by_day.min(axis=2) - self.value[self.rows, self.at][:, None]
        joins = gain < -_GAIN
        bound = self.p.later >= 1e8
        joins[bound] = False
        total = np.add.reduceat(np.where(joins, gain, 0.0), self.starts, axis=0) + self.p.travel
        total = np.where(self.count == 0, total, np.inf)
        done = False
        for place, day in zip(
            *np.unravel_index(np.argsort(total, axis=None)[:_SWAPS], total.shape), strict=True
        ):
            if total[place, day] >= -_GAIN:
                break
            members = np.flatnonzero((self.p.place == place) & joins[:, day])
            done = (
                self._try([(int(s), int(day * self.depths + depth[s, day])) for s in members])
                or done
            )
        return done

    def _close_places(self) -> bool:
        done = False
        own = self.day_of[self.at]
        loss = self.p.later - self.value[self.rows, self.at]
        for day in range(self.days):
            here = np.where(own == day, loss, 0.0)
            total = np.add.reduceat(here, self.starts) - self.p.travel
            for place in np.flatnonzero((self.count[:, day] > 0) & (total < -_GAIN)):
                members = np.flatnonzero((self.p.place == place) & (own == day))
                done = self._try([(int(s), self.later) for s in members]) or done
        return done

    def _try(self, wanted: list[tuple[int, int]]) -> bool:
        """Make several moves if they all fit and the whole gets cheaper; else none."""
        old = [(site, int(self.at[site])) for site, _ in wanted]
        change = sum(self._go(site, option) for site, option in wanted)
        if change < -_GAIN and self.fits():
            return True
        for site, option in reversed(old):
            self._go(site, option)
        return False

    # --- two sites change their turns

    def _swap(self) -> bool:
        """Let a site in for which there is no room by sending another elsewhere."""
        cost, minutes = self._table()
        own = self.day_of[self.at]
        room = self._has_room(minutes, own)
        closed = ~room & (cost < -_GAIN)
        wish = np.where(closed, cost, np.inf)
        best = wish.argmin(axis=1)
        order = np.argsort(wish[self.rows, best])[:_SWAPS]
        for site in order:
            option = int(best[site])
            if not closed[site, option]:
                break
            if self._let_in(int(site), option, cost, minutes, room):
                return True
        return False

    def _let_in(
        self, site: int, option: int, cost: Floats, minutes: Floats, room: NDArray[np.bool_]
    ) -> bool:
        day = int(self.day_of[option])
        own = self.day_of[self.at]
        others = np.flatnonzero(
            (self.at < self.later) & (own == day) & (self.p.place != self.p.place[site])
        )
        if not len(others):
            return False
        stays = self.day_of[None, :] == own[others][:, None]
        loss = np.where(room[others] | (stays & (minutes[others] < 0)), cost[others], np.inf)
        loss[np.arange(len(others)), self.at[others]] = np.inf
        target = loss.argmin(axis=1)
        total = loss[np.arange(len(others)), target] + cost[site, option]
        # The other has to make the room that is wanting, its way included at the most.
        short = minutes[site, option] - (self.room[0, day] - self.used[0, day])
        total[self.work[others, self.at[others]] + self.p.travel < short - _SLACK] = np.inf
        for row in np.argsort(total)[:_SWAPS]:
            if total[row] >= -_GAIN:
                return False
            if self._try([(int(others[row]), int(target[row])), (site, option)]):
                return True
        return False
