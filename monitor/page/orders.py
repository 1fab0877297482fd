"""What the buttons of the page ask for, as orders. Pure; only what the page offers is taken."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from monitor.alarms.site import SITE, SITE_KINDS
from monitor.alarms.watch import KINDS
from monitor.records import Order

_LONGEST_BY = 40
_OF_A_FILTER = {"cleaned", "cleaned-undo", "feeding", "resume"}
_OF_AN_ALARM = {"acknowledge", "shelve", "unshelve", "in-service"}
_LASTING = {"feeding", "shelve"}
_LONGEST_MIN = 24 * 60.0


def order(fields: Mapping[str, str], filters: Sequence[str], by: str) -> Order:
    """Return the order that a form asks for.

    Args:
        fields: of the form.
        filters: the filters that there are.
        by: the name that was given at the log-in, empty for none.

    Raises:
        ValueError: it is none of what the page offers; the text says what.
    """
    name, filter_id, alarm = (fields.get(n, "") for n in ("order", "filter", "alarm"))
    if name not in _OF_A_FILTER | _OF_AN_ALARM:
        raise ValueError("there is no such order here")
    if filter_id not in filters and (filter_id != SITE or name in _OF_A_FILTER):
        raise ValueError("there is no such filter here")
    if name in _OF_AN_ALARM:
        known = SITE_KINDS if filter_id == SITE else KINDS
        if alarm not in {str(kind) for kind in known}:
            raise ValueError("there is no such alarm here")
    return Order(
        name,
        filter_id,
        _number(fields.get("minutes", ""), _LONGEST_MIN) if name in _LASTING else 0.0,
        alarm if name in _OF_AN_ALARM else "",
        int(_number(fields.get("occurrence", "0"), 1e12)) if name == "acknowledge" else 0,
        f"{by}, on the page" if by else "the page",
    )


def _number(written: str, most: float) -> float:
    try:
        value = float(written)
    except ValueError:
        value = math.nan
    if not 0 <= value <= most:
        raise ValueError(f"a number from 0 to {most:g} was expected")
    return value


def printable(by: str) -> str:
    """Return a name as it may stand on record."""
    return "".join(c for c in by if c.isprintable()).strip()[:_LONGEST_BY]
