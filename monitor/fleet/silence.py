"""Whether a site is heard, and in words why not. Pure.

Judged by the hub's own clock: when the site was heard last, and what it had promised. A site's own
times only tell whether its clock is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any

import msgspec

from monitor.fleet.messages import utc_s
from monitor.fleet.view import SiteView

_MINUTE_S, _HOUR_S, _DAY_S = 60.0, 3600.0, 86400.0
# A run that was cut off had not saved its last minutes; two cards overlap for longer than that.
_UNSAVED_S = 1800.0
# Sites at one place that fall silent within this time have one cause.
_TOGETHER_S = 180.0
_PROMISED_S = 60.0  # of a site that has not said what it promises


class Hearing(StrEnum):
    """How a site is heard."""

    HEARD = "heard"
    NEVER = "never heard"
    STOPPED = "stopped on purpose"
    POWER_GONE = "power gone"
    LOST = "connection lost"
    SILENT = "silent"
    CLONED = "two boards under one name"
    WRONG_CLOCK = "clock wrong"


class Judgement(msgspec.Struct, frozen=True):
    """How a site is heard, in words, what to do, since when (0 for not known), and whether a person is wanted."""

    hearing: Hearing
    words: str
    advice: str
    since_utc_s: float
    wanted: bool


def judge(
    view: SiteView, heard_utc_s: float, now_utc_s: float, beats: float, skew_s: float
) -> Judgement:
    """Return how a site is heard.

    Args:
        view: what is known of it.
        heard_utc_s: when it was heard last, by the hub's clock; 0 for never since the hub began.
        now_utc_s: the hub's clock.
        beats: so many promised signs of life may stay out.
        skew_s: a clock that differs by more is wrong.
    """
    limit_s = beats * float(view.beat.get("next_within_s", _PROMISED_S))
    quiet_s = now_utc_s - heard_utc_s
    word = view.presence.get("presence")
    if heard_utc_s and quiet_s <= limit_s and word not in ("stopped", "lost"):
        return _heard(view, heard_utc_s, skew_s)
    if word == "stopped":
        when = view.presence.get("time")
        since_s = utc_s(when) if when else heard_utc_s
        return Judgement(
            Hearing.STOPPED,
            f"it was switched off on purpose{_ago(now_utc_s - since_s) if since_s else ''}; nobody watches "
            "its filters",
            "ask who stopped it, and start it again when the work is done",
            since_s,
            False,
        )
    if not heard_utc_s:
        return Judgement(
            Hearing.NEVER,
            "nothing has come from it since the hub began to listen",
            "see that it is switched on, and that its bundle names this broker",
            0.0,
            True,
        )
    return _gone(view, word, heard_utc_s, quiet_s, limit_s)


def _gone(
    view: SiteView, word: Any, heard_utc_s: float, quiet_s: float, limit_s: float
) -> Judgement:
    power = view.alarms.get("power-gone") or {}
    if power.get("active"):
        return Judgement(
            Hearing.POWER_GONE,
            f"the power went at the client's: {_filters(view)} stopped together, and then the board fell "
            f"silent, heard last{_ago(quiet_s)}",
            "ask the client about the power; filters that stood for hours want care before they run again",
            heard_utc_s,
            True,
        )
    if word == "lost" and quiet_s <= limit_s:
        return Judgement(
            Hearing.LOST,
            f"the broker lost it just now, heard last{_ago(quiet_s)}; it may be back in a moment",
            "wait a minute",
            heard_utc_s,
            False,
        )
    if word == "lost":
        return Judgement(
            Hearing.LOST,
            f"the connection broke off, heard last{_ago(quiet_s)}: its power or its internet is gone, "
            "which cannot be told apart from here",
            "ring the client: if other things there run, it is the internet, and the board still watches "
            "and keeps its records",
            heard_utc_s,
            True,
        )
    return Judgement(
        Hearing.SILENT,
        f"it is connected but says nothing, heard last{_ago(quiet_s)}; it promised a sign of life every "
        f"{view.beat.get('next_within_s', _PROMISED_S):.0f} s",
        "the board may hang: have it switched off and on, and look at its log",
        heard_utc_s,
        True,
    )


def _heard(view: SiteView, heard_utc_s: float, skew_s: float) -> Judgement:
    if view.overlap_s > _UNSAVED_S:
        return Judgement(
            Hearing.CLONED,
            f"two boards speak under this name with the same records, side by side for "
            f"{_span(view.overlap_s)}: a card was copied",
            "switch one of them off, move its journal.sqlite away and enrol it under a name of its own",
            heard_utc_s,
            True,
        )
    said = view.beat.get("time")
    if said and view.beat.get("clock_synchronised") is False:
        return Judgement(
            Hearing.WRONG_CLOCK,
            f"its clock is not synchronised and shows {said[:16].replace('T', ' ')} UTC; times on its "
            "records may be wrong, alarms are not",
            "let it reach a time server, or give it a clock with a battery",
            heard_utc_s,
            False,
        )
    # Of a sign of life that has just come; an old one says nothing about the clock.
    if said and abs(utc_s(said) - heard_utc_s) > max(
        skew_s, 2.0 * float(view.beat.get("next_within_s", _PROMISED_S))
    ):
        off_s = utc_s(said) - heard_utc_s
        return Judgement(
            Hearing.WRONG_CLOCK,
            f"its clock is {_span(abs(off_s))} {'ahead' if off_s > 0 else 'behind'}, though it calls itself "
            "right",
            "look at its time server",
            heard_utc_s,
            False,
        )
    return Judgement(Hearing.HEARD, "heard", "", heard_utc_s, False)


def back(before: Mapping[str, Any], after: Mapping[str, Any], away_s: float) -> str:
    """Return in words what an absence was, seen from the presence before it and after it."""
    span = _span(away_s)
    if before.get("journal") not in (None, after.get("journal")):
        return f"back after {span} with a new card: it begins to learn anew"
    if before.get("run") == after.get("run"):
        return (
            f"back after {span}: only the connection was gone, it watched all the time, and what happened "
            "comes now"
        )
    return f"back after {span} with a restart: it was without power or hung, and nobody watched meanwhile"


def deaf(
    judgements: Mapping[str, Judgement], known: int, newest_heard_s: float, now_utc_s: float
) -> str | None:
    """Say so when the hub hears nobody: then it is the hub's fault, not that of every site.

    Args:
        judgements: of all sites that are not heard.
        known: how many sites there are.
        newest_heard_s: when any site was heard last.
        now_utc_s: the hub's clock.
    """
    absent = [j for j in judgements.values() if j.hearing in _ABSENT]
    if known < 3 or len(absent) < known:
        return None
    return (
        f"none of {known} sites is heard, the last{_ago(now_utc_s - newest_heard_s)}: look at the broker, "
        "the workers and this machine's network before any site"
    )


_ABSENT = frozenset({Hearing.LOST, Hearing.SILENT, Hearing.POWER_GONE})


def together(
    judgements: Mapping[str, Judgement], places: Mapping[str, str]
) -> list[tuple[str, tuple[str, ...]]]:
    """Return places at which several sites fell silent at about the same time, and those sites."""
    by_place: dict[str, list[str]] = {}
    for site, judged in judgements.items():
        if judged.hearing in _ABSENT and places.get(site):
            by_place.setdefault(places[site], []).append(site)
    found = []
    for place, sites in sorted(by_place.items()):
        sites.sort(key=lambda s: judgements[s].since_utc_s)
        for group in _runs(sites, judgements):
            if len(group) > 1:
                found.append((place, tuple(group)))
    return found


def _runs(sites: Sequence[str], judgements: Mapping[str, Judgement]) -> list[list[str]]:
    groups: list[list[str]] = []
    for site in sites:
        since_s = judgements[site].since_utc_s
        if groups and since_s - judgements[groups[-1][-1]].since_utc_s <= _TOGETHER_S:
            groups[-1].append(site)
        else:
            groups.append([site])
    return groups


def _filters(view: SiteView) -> str:
    stopped = [f.name for f in view.filters if "flow-stopped" in f.alarms]
    count = len(stopped) or len(view.filters)
    return "its filter" if count == 1 else f"its {count} filters"


def _ago(span_s: float) -> str:
    return f" {_span(span_s)} ago"


def _span(span_s: float) -> str:
    if span_s < 2 * _MINUTE_S:
        return f"{max(0.0, span_s):.0f} s"
    if span_s < 2 * _HOUR_S:
        return f"{span_s / _MINUTE_S:.0f} min"
    if span_s < 2 * _DAY_S:
        return f"{span_s / _HOUR_S:.0f} h"
    return f"{span_s / _DAY_S:.0f} days"
