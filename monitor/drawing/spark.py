"""A row of values as one line of characters: higher is more, lowest is none, a blank is not known."""

from __future__ import annotations

from collections.abc import Sequence

BLOCKS = "▁▂▃▄▅▆▇█"
PLAIN = "_.:-=+*#"  # for terminals that show ASCII only
GAP = " "


def spark(
    values: Sequence[float | None], low: float, high: float, plain: bool = False, floor: bool = True
) -> str:
    """Return one character a value.

    Args:
        values: oldest first, `None` where nothing is known.
        low, high: what the lowest and the highest character stand for.
        plain: in ASCII.
        floor: the lowest character is kept for what is not above `low`, so that a standstill never
            looks like a trickle.
    """
    steps = PLAIN if plain else BLOCKS
    return "".join(GAP if v is None else steps[_step(v, low, high, floor)] for v in values)


def _step(value: float, low: float, high: float, floor: bool) -> int:
    top = len(BLOCKS) - 1
    least = 1 if floor else 0
    if high <= low:
        return 0 if floor and value <= low else least
    share = (value - low) / (high - low)
    if floor and share <= 0.0:
        return 0
    return least + min(top - least, max(0, int(share * (top - least + 1))))
