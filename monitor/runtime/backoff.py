"""Waiting between tries: doubling, capped, and spread so that many sites do not return at once."""

from __future__ import annotations

import random
from collections.abc import Callable


class Backoff:
    """Grows from `first_s` to `cap_s`; each wait is drawn from the upper half of its step."""

    def __init__(
        self,
        first_s: float = 1.0,
        cap_s: float = 20.0,
        draw: Callable[[float, float], float] = random.uniform,
    ) -> None:
        self._first_s = first_s
        self._cap_s = cap_s
        self._draw = draw
        self._step_s = first_s

    def next_s(self) -> float:
        """Return how long to wait before the next try, in seconds."""
        step, self._step_s = self._step_s, min(self._cap_s, 2 * self._step_s)
        return self._draw(step / 2, step)

    def reset(self) -> None:
        """Begin anew after a success."""
        self._step_s = self._first_s
