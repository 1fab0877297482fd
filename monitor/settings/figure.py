"""A number of the description that may carry a range: 16, [15.5, 16.5] or [15.5, 16, 16.5]."""

from __future__ import annotations

import json
import math
import operator
from collections.abc import Mapping
from typing import Any, NamedTuple

from pydantic_core import PydanticCustomError

SHAPE = "a number, or a range [low, high] or [low, likely, high]"

_HOLDS = {"gt": operator.gt, "ge": operator.ge, "lt": operator.lt, "le": operator.le}
_ERRORS = {
    "gt": "greater_than",
    "ge": "greater_than_equal",
    "lt": "less_than",
    "le": "less_than_equal",
}


class Figure(NamedTuple):
    """The likely value and the range it certainly lies in; all three equal where none is given."""

    value: float
    low: float
    high: float

    @property
    def ranged(self) -> bool:
        """Whether a range was given."""
        return self.low < self.high


def certain(value: float) -> Figure:
    """Return a figure without a range."""
    return Figure(value, value, value)


def parse(given: Any, limits: Mapping[str, float] | None) -> Figure:
    """Return the figure that a value stands for, its range included within the limits.

    Args:
        given: a number, a list of two or three, or one of these as JSON text.
        limits: any of gt, ge, lt, le.

    Raises:
        PydanticCustomError: it is none of these.
    """
    figure = _figure(given)
    for number in figure:
        if not math.isfinite(number):
            raise PydanticCustomError("finite_number", "a finite number")
        for name, bound in (limits or {}).items():
            if not _HOLDS[name](number, bound):
                raise PydanticCustomError(_ERRORS[name], "out of range", {name: bound})
    return figure


def _figure(given: Any) -> Figure:
    if isinstance(given, Figure):
        return given
    if isinstance(given, str):
        given = _from_text(given)
    if isinstance(given, list | tuple) and len(given) in (2, 3):
        numbers = [_number(part) for part in given]
        low, high = numbers[0], numbers[-1]
        value = numbers[1] if len(numbers) == 3 else (low + high) / 2
        if not low <= value <= high and all(map(math.isfinite, numbers)):
            raise PydanticCustomError("figure_order", "a range that rises from low to high")
        return Figure(value, low, high)
    return certain(_number(given))


def _from_text(text: str) -> Any:
    """Numbers and ranges reach us from the environment as text."""
    for read in (float, json.loads):
        try:
            return read(text)
        except ValueError:
            continue
    raise PydanticCustomError("figure", SHAPE)


def _number(given: Any) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise PydanticCustomError("figure", SHAPE)
    try:
        return float(given)
    except OverflowError:
        raise PydanticCustomError("finite_number", "a finite number") from None
