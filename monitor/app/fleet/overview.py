"""All sites as a list for people: how each is heard, and its filters."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import msgspec

from monitor.fleet.silence import Judgement, judge
from monitor.fleet.view import SiteView, site_view
from monitor.hub.state import State

_AT_ONCE = 250


class SiteRow(msgspec.Struct, frozen=True):
    """One site of the list."""

    view: SiteView
    judgement: Judgement
    heard_utc_s: float


def overview(
    state: State, sites: Sequence[str] | None, now_utc_s: float, beats: float, skew_s: float
) -> list[SiteRow]:
    """Return sites and how they are heard, by name.

    Args:
        state: the memory of the fleet.
        sites: which, `None` for all that the memory knows.
        now_utc_s, beats, skew_s: as for `monitor.fleet.silence.judge`.

    Raises:
        StateError: Redis cannot be read.
    """
    heard = state.heard(sites)
    wanted = sorted(heard if sites is None else sites)
    return list(each(state, wanted, heard, now_utc_s, beats, skew_s))


def each(
    state: State,
    sites: Sequence[str],
    heard: Mapping[str, float],
    now_utc_s: float,
    beats: float,
    skew_s: float,
) -> Iterator[SiteRow]:
    """Yield sites one after another, so that no more than some hundred are in memory at once.

    Args:
        state: the memory of the fleet.
        sites: which, in this order.
        heard: when each was heard last.
        now_utc_s, beats, skew_s: as for `monitor.fleet.silence.judge`.

    Raises:
        StateError: Redis cannot be read.
    """
    for at in range(0, len(sites), _AT_ONCE):
        page = sites[at : at + _AT_ONCE]
        for site, fields in zip(page, state.many_registers(page), strict=True):
            view = site_view(site, fields)
            at_s = heard.get(site, 0.0)
            yield SiteRow(view, judge(view, at_s, now_utc_s, beats, skew_s), at_s)


def filter_words(state: Mapping[str, Any], alarms: Mapping[str, Any]) -> str:
    """Return in a few words how a filter is."""
    if not state:
        return "nothing known yet"
    standing = sorted(name for name, a in alarms.items() if a["state"] not in ("normal", "shelved"))
    if standing:
        return ", ".join(name.replace("-", " ") for name in standing)
    if state.get("pause"):
        return f"paused for {state['pause']}"
    share, due = state.get("share_of_clean"), state.get("cleaning_due") or {}
    words = "flow not known" if share is None else f"{100 * share:.0f} % of clean"
    if due.get("median_days") is not None:
        words += f", due in about {due['median_days']:.0f} days"
        if due.get("low_days") is not None and due.get("high_days") is not None:
            words += f" ({due['low_days']:.0f} to {due['high_days']:.0f})"
    return words
