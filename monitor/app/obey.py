"""Carries out what people ask for, whichever way it came: command line, MQTT, page.

Every order answers with one sentence that begins with "done" or "refused".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.alarms import acts, site
from monitor.alarms.acts import LONGEST_QUIET_MIN
from monitor.alarms.life import Quiet, QuietKind
from monitor.alarms.pause import LONGEST_MIN, PauseKind
from monitor.alarms.site import SITE, SITE_KINDS, SiteState
from monitor.alarms.watch import KINDS, WatchPlan, WatchState
from monitor.records import AlarmKind, Event, Moment, Order

Outcome = tuple[dict[str, WatchState], SiteState, list[Event], str]

_QUIETS = {"shelve": QuietKind.SHELVED, "out-of-service": QuietKind.OUT_OF_SERVICE}
_HEARD = {"unshelve": QuietKind.SHELVED, "in-service": QuietKind.OUT_OF_SERVICE}
OF_ALARMS = ("acknowledge", *_QUIETS, *_HEARD)
OF_A_FILTER = ("cleaned", "cleaned-undo", "renewed", *PauseKind, "resume")
NAMES = (*OF_A_FILTER, *OF_ALARMS, "test-alarm")
_LONGEST_BY = 80


class _Refused(Exception):
    """Why an order is not carried out."""


def obey(
    order: Order,
    states: Mapping[str, WatchState],
    plans: Mapping[str, WatchPlan],
    of_site: SiteState,
    now: Moment,
) -> Outcome:
    """Return the states after an order, what happened, and the answer.

    A refused order changes nothing.
    """
    by = "".join(c for c in order.by if c.isprintable())[:_LONGEST_BY]
    try:
        if order.name not in NAMES:
            raise _Refused(f"unknown order {order.name}; known: {', '.join(NAMES)}")
        if order.filter_id != SITE and order.filter_id not in plans:
            raise _Refused(f"no filter {order.filter_id}; known: {', '.join(plans)}")
        if order.name == "test-alarm":
            new_site = site.begin_test(of_site, now)
            return dict(states), new_site, [], "done: the test alarm is raised within a second"
        if order.name in OF_ALARMS:
            return _alarms(order, dict(states), plans, of_site, now, by)
        if order.filter_id == SITE:
            raise _Refused(f"name the filter; known: {', '.join(plans)}")
        state, plan = states[order.filter_id], plans[order.filter_id]
        state, events, answer = _one(order, state, plan, now, by)
        return {**states, order.filter_id: state}, of_site, list(events), f"done: {answer}"
    except _Refused as why:
        return dict(states), of_site, [], f"refused: {why}"


def _one(
    order: Order, state: WatchState, plan: WatchPlan, now: Moment, by: str
) -> tuple[WatchState, tuple[Event, ...], str]:
    """An order about one filter and not about one alarm."""
    if order.name == "cleaned":
        return *acts.cleaned(state, plan, now, by), "clean flow is being learned anew"
    if order.name == "renewed":
        said = "it is another filter now; its clean flow is learned from the beginning"
        return *acts.renewed(state, plan, now, by), said
    if order.name == "cleaned-undo":
        state, events = acts.cleaned_undone(state, plan, now, by)
        if not events:
            raise _Refused("no cleaning to take back")
        return state, events, "the clean flow of before is back"
    if order.name == "resume":
        state, events = acts.pause_ended(state, plan, now, by)
        if not events:
            raise _Refused("there is no pause")
        return state, events, "the pause is over"
    kind = PauseKind(order.name)
    if not 0 < order.minutes <= LONGEST_MIN[kind]:
        raise _Refused(
            f"a pause of {order.minutes:g} minutes; {kind} may last up to {LONGEST_MIN[kind]:g}"
        )
    state, events = acts.paused(state, plan, kind, order.minutes, now, by)
    return state, events, f"flow alarms wait for {order.minutes:g} min at the most"


def _alarms(
    order: Order,
    states: dict[str, WatchState],
    plans: Mapping[str, WatchPlan],
    of_site: SiteState,
    now: Moment,
    by: str,
) -> Outcome:
    """An order about one alarm, or about all: of one filter, or of the site with its filters."""
    kinds, of_the_site = _kinds(order)
    if order.name in _QUIETS:
        longest = LONGEST_QUIET_MIN[_QUIETS[order.name]]
        if not order.alarm:
            raise _Refused("name the alarm: silence for all of them is not on offer")
        if not 0 < order.minutes <= longest:
            raise _Refused(f"{order.minutes:g} minutes; it may last up to {longest:g}")
    events: list[Event] = []
    for name in plans if order.filter_id == SITE else (order.filter_id,):
        states[name], happened = _on_filter(order, states[name], plans[name], kinds, now, by)
        events += happened
    if order.filter_id == SITE:
        of_site, happened = _on_site(order, of_site, of_the_site, now, by)
        events += happened
    if not events:
        return states, of_site, [], f"refused: {_nothing(order)}"
    told = ", ".join(
        f"{e.filter_id + ' ' if e.filter_id else ''}{e.alarm} {e.state}" for e in events
    )
    return states, of_site, events, f"done: {told}"


def _kinds(order: Order) -> tuple[Sequence[AlarmKind], Sequence[AlarmKind]]:
    """The kinds of a filter and of the site that are meant."""
    if not order.alarm:
        return KINDS, SITE_KINDS
    if order.alarm not in set(AlarmKind):
        raise _Refused(f"no alarm {order.alarm}; known: {', '.join(AlarmKind)}")
    kind = AlarmKind(order.alarm)
    if kind in SITE_KINDS:
        if order.filter_id != SITE:
            raise _Refused(f"{kind} is of the site; leave the filter out")
        return (), (kind,)
    return (kind,), ()


def _on_filter(
    order: Order,
    state: WatchState,
    plan: WatchPlan,
    kinds: Sequence[AlarmKind],
    now: Moment,
    by: str,
) -> tuple[WatchState, tuple[Event, ...]]:
    if order.name == "acknowledge":
        return acts.acknowledge(
            state, plan, kinds, now, by, order.occurrence, named=bool(order.alarm)
        )
    if order.name in _QUIETS:
        return acts.shelve(state, plan, kinds, _QUIETS[order.name], order.minutes, now, by)
    meant = [k for k in kinds if _is_quiet(state.alarm(k).quiet, order.name)]
    return acts.unshelve(state, plan, meant, now, by)


def _on_site(
    order: Order, state: SiteState, kinds: Sequence[AlarmKind], now: Moment, by: str
) -> tuple[SiteState, tuple[Event, ...]]:
    if order.name == "acknowledge":
        return site.acknowledge(state, kinds, now, by, order.occurrence)
    if order.name in _QUIETS:
        quiet = Quiet(_QUIETS[order.name], now.line_s + 60.0 * order.minutes)
        return site.hush(state, kinds, quiet, now, by)
    meant = [k for k in kinds if _is_quiet(state.alarm(k).quiet, order.name)]
    return site.hush(state, meant, None, now, by)


def _is_quiet(quiet: Quiet | None, order: str) -> bool:
    return quiet is not None and quiet.kind is _HEARD[order]


def _nothing(order: Order) -> str:
    what = order.alarm or "no alarm"
    if order.name == "acknowledge":
        again = " (it was raised again since)" if order.occurrence else ""
        return f"{what}: nothing to acknowledge{again}" if order.alarm else "nothing to acknowledge"
    return f"{what} is not {_HEARD[order.name]}" if order.alarm else "nothing to end"
