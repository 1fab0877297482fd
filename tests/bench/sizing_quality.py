"""How right the sizing model is: against EPANET, and against the rule of the trade."""

from __future__ import annotations

import platform
import statistics

from tests.bench.figure import Figure
from tests.support.epanet import differences
from tests.support.setups import shares_of_rated

CIRCUITS, SEED = 300, 7


def measure() -> list[Figure]:
    """Run all figures; EPANET has builds for x86-64 only."""
    against = _against_epanet() if platform.machine() == "x86_64" else []
    return [*against, _rule()]


def _against_epanet() -> list[Figure]:
    rows = differences(CIRCUITS, SEED)
    figures = []
    for transition in (False, True):
        off = [x for (_, between), found in rows.items() if between is transition for x in found]
        what = "a hose between Re 2000 and 4000" if transition else "ordinary"
        within = 0.06 if transition else 0.02  # EPANET's own cubic between the two laws
        met = max(off) < within and (transition or statistics.median(off) < 0.01)
        figures.append(
            Figure(f"clean flow against EPANET, {len(off)} random circuits, {what}",
                   f"median {statistics.median(off):.3%}, worst {max(off):.3%}", "EPANET 2.2", "–",
                   f"{'' if transition else 'median 1 %, '}worst {within:.0%}", met, True)
        )  # fmt: skip
    return figures


def _rule() -> Figure:
    shares = list(shares_of_rated().values())
    inside = sum(0.35 <= share <= 0.80 for share in shares) / len(shares)
    return Figure(
        f"set-ups that move 35 to 80 % of rated, of {len(shares)}",
        f"{inside:.1%} ({min(shares):.0%} to {max(shares):.0%})",
        "about half: common practice, no source", "–", "80 %", inside >= 0.8, True,
    )  # fmt: skip
