"""Alarms of the whole site: the power, water on the floor, the board and the ways out.

What is seen comes as facts from outside; here they are judged with delays and live the same life as
a filter's alarms. When all filters of a site lose their pump within a minute, that is one thing, the
power: it is said once, and it suppresses the stops that it explains for as long as it lasts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import msgspec

from monitor.alarms.life import (
    NEVER,
    Alarm,
    Announcing,
    Quiet,
    QuietKind,
    acknowledged,
    announcing,
    hushed,
    live,
    may_be_said,
    said,
    since_utc_s,
    state_of,
    unheard_if_unacknowledged,
    until_utc_s,
)
from monitor.alarms.priority import PRIORITIES
from monitor.alarms.rules import Wish
from monitor.alarms.watch import KINDS, WatchState
from monitor.records import (
    AlarmKind,
    AlarmState,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    Moment,
)

SITE = ""
"""The filter id of events that are about the site."""

SITE_KINDS = tuple(kind for kind in AlarmKind if kind not in KINDS)
TEST_LASTS_S = 600.0
# Pumps that lose the same power stop together; the slowest sensor needs some seconds to show it.
_TOGETHER_S = 60.0
_STOPPED = AlarmKind.FLOW_STOPPED

# For each kind: delays before it is raised and cleared in seconds, advice, what follows.
_RULES: dict[AlarmKind, tuple[float, float, str, str]] = {
    AlarmKind.POWER_GONE: (
        0.0, 15.0,
        "Look whether the filters' outlet or breaker is off; a tripped RCD or GFCI may mean that water "
        "met mains: have it looked at by a licensed electrician before it is switched on again. "
        "Switch off heaters that stand dry.",
        "All filters stand: their canisters run out of oxygen within hours, and the tanks cool.",
    ),
    AlarmKind.LEAK: (
        0.0, 60.0,
        "Do not step into water near sockets. Cut the power where it is dry, at the breaker if need be; "
        "if no dry place is safe, keep out. Then shut the taps and look where the water comes from.",
        "The tank may empty onto the floor.",
    ),
    AlarmKind.READER_DEAD: (
        5.0, 10.0, "Restart canister; look at the sensor's plug and at `canister check`.",
        "A stop would not be noticed until this is mended.",
    ),
    AlarmKind.JOURNAL_FAILING: (
        10.0, 10.0, "Free space on the disk, or look at the card's health; a card that fails is replaced.",
        "Measuring and alarms go on; history since then waits in memory and is lost with the power.",
    ),
    AlarmKind.STORAGE_VOLATILE: (
        0.0, 0.0, "Put storage.folder on a real disk.",
        "With the power gone, learned clean flow, history and alarms not yet sent are gone.",
    ),
    AlarmKind.DISK_FILLING: (
        60.0, 60.0, "Free space on the disk, or lower storage.max_size_mb.",
        "When it is full, history is no longer kept.",
    ),
    AlarmKind.DELIVERY_REFUSED: (
        60.0, 10.0, "Look at the user, the password, the access rules and the certificate at the broker.",
        "Nobody hears of alarms that way; what is undelivered stays in the journal.",
    ),
    AlarmKind.CERTIFICATE_ENDING: (
        0.0, 0.0, "Renew the certificate, the broker's at the broker, and put it in the place of the old one; canister "
        "needs no restart.",
        "Once it has ended, nothing can be delivered.",
    ),
    AlarmKind.CLOCK_UNSET: (
        900.0, 60.0, "Look at the network and at the time service of the board.",
        "Times on record may be wrong; measuring and alarms do not depend on them.",
    ),
    AlarmKind.UNDER_VOLTAGE: (
        5.0, 600.0, "Use the power supply that the board asks for, and a short cable.",
        "The board may stop, and its card be damaged.",
    ),
    AlarmKind.BOARD_HOT: (
        60.0, 300.0, "Give the board air, away from lamps and ballasts.",
        "The board slows down and ages.",
    ),
    AlarmKind.TEST: (
        0.0, 0.0, "Nothing is wrong. Acknowledge it: then the way back works too.",
        "It ends by itself after ten minutes.",
    ),
}  # fmt: skip


class Fact(msgspec.Struct, frozen=True, gc=False):
    """What was seen of one kind: wanted, over (both false in between), and the evidence."""

    wanted: bool
    over: bool
    evidence: str


class SiteState(msgspec.Struct, frozen=True, gc=False):
    """Everything remembered of the site's alarms; saved and restored as it is.

    `alarms` and `evidence` have one entry for each of `SITE_KINDS`.
    """

    alarms: tuple[Alarm, ...] = (NEVER,) * len(SITE_KINDS)
    evidence: tuple[str, ...] = ("",) * len(SITE_KINDS)
    line_s: float | None = None
    test_until_s: float = 0.0

    def alarm(self, kind: AlarmKind) -> Alarm:
        """Return the alarm of one kind."""
        return self.alarms[SITE_KINDS.index(kind)]


def resumed(state: SiteState) -> SiteState:
    """Return the state after a restart; kinds that were not known yet have never been raised."""
    missing = len(SITE_KINDS) - len(state.alarms)
    return msgspec.structs.replace(
        state,
        alarms=(*state.alarms, *(NEVER,) * missing),
        evidence=(*state.evidence, *("",) * missing),
        line_s=None,
    )


def power(states: Sequence[WatchState]) -> Fact:
    """Return what the stops of all filters together say of the power; one filter says nothing."""
    stops = [s.alarm(_STOPPED) for s in states]
    if len(states) < 2 or not all(a.stands for a in stops):
        return Fact(False, True, "")
    causes = {_cause(s) for s in states}
    began = [a.raised_line_s for a in stops]
    apart_s = max(began) - min(began)
    together = apart_s <= _TOGETHER_S and causes == {Cause.PUMP_OR_POWER}
    return Fact(
        together, False, f"all {len(states)} filters stopped within {max(apart_s, 1.0):.0f} s"
    )


def _cause(state: WatchState) -> Cause:
    why = state.reasons[KINDS.index(_STOPPED)]
    return Cause.NONE if why is None else why.cause


def explained(state: WatchState, gone: bool, raised_now: bool) -> WatchState:
    """Return a filter's state whose stop the site's power explains, or no longer does.

    `raised_now`: its stop was raised in this very step, so that nobody has been told of it.
    """
    if gone is state.power_gone:
        return state
    new = msgspec.structs.replace(state, power_gone=gone)
    if not (gone and raised_now):
        return new
    index = KINDS.index(_STOPPED)
    alarm = new.alarms[index]
    unsaid = msgspec.structs.replace(alarm, told=0, tells=alarm.tells[:-1])
    return msgspec.structs.replace(
        new, alarms=(*new.alarms[:index], unsaid, *new.alarms[index + 1 :])
    )


def unsaid(event: Event) -> Event:
    """Return the event of a stop that the power explains: on record, and nobody is told."""
    return msgspec.structs.replace(event, announce=False, state=AlarmState.SUPPRESSED)


def judge(
    state: SiteState,
    facts: Mapping[AlarmKind, Fact],
    how: Announcing,
    latching: frozenset[AlarmKind],
    now: Moment,
) -> tuple[SiteState, tuple[Event, ...]]:
    """Take one look at the site.

    Args:
        state: as the last look returned it.
        facts: by kind; a kind that is not among them is not known and stays as it is.
        how: how alarms are said again.
        latching: kinds that stand until acknowledged.
        now: the moment.
    """
    elapsed_s = 0.0 if state.line_s is None else max(0.0, now.line_s - state.line_s)
    testing = now.line_s < state.test_until_s
    facts = {**facts, AlarmKind.TEST: Fact(testing, not testing, "a test, asked for by a person")}
    alarms, evidence, events = list(state.alarms), list(state.evidence), list[Event]()
    for index, kind in enumerate(SITE_KINDS):
        old, fact = alarms[index], facts.get(kind)
        if fact is not None and not (fact.over and old == NEVER):
            on_s, off_s, _, _ = _RULES[kind]
            wish = Wish(fact.wanted, fact.over, on_s, off_s, kind in latching)
            new = live(old, wish, elapsed_s, now.line_s, now.utc_s)
            if new.stands and fact.wanted:
                evidence[index] = fact.evidence
            if new.active is not old.active:
                new, event = _turned(kind, new, evidence[index], now)
                events.append(event)
            old = alarms[index] = new
        if old.active or old.quiet is not None:
            alarms[index], happened = announcing(old, how, PRIORITIES[kind], False, now.line_s)
            if happened is not None:
                loud = alarms[index].active
                events.append(event_of(happened, kind, alarms[index], evidence[index], now, loud))
    new_state = SiteState(tuple(alarms), tuple(evidence), now.line_s, state.test_until_s)
    return new_state, tuple(events)


def _turned(kind: AlarmKind, alarm: Alarm, evidence: str, now: Moment) -> tuple[Alarm, Event]:
    if not alarm.active:
        tell = alarm.told == alarm.occurrence and alarm.quiet is None
        return alarm, event_of(EventKind.CLEARED, kind, alarm, evidence, now, tell)
    # A test that a person asked for is no flutter.
    tell = may_be_said(alarm, False, now.line_s) or (kind is AlarmKind.TEST and not alarm.quiet)
    alarm = said(alarm, now.line_s) if tell else alarm
    return alarm, event_of(EventKind.RAISED, kind, alarm, evidence, now, tell)


def event_of(
    event: EventKind,
    kind: AlarmKind,
    alarm: Alarm,
    evidence: str,
    now: Moment,
    announce: bool,
    by: str = "",
) -> Event:
    """Return an event of one of the site's alarms, whole."""
    _, _, advice, follows = _RULES[kind]
    over = event is EventKind.CLEARED or not alarm.active
    return Event(
        filter_id=SITE, event=event, line_s=now.line_s, utc_s=now.utc_s, alarm=kind,
        occurrence=alarm.occurrence, flow_m3_per_s=None, clean_m3_per_s=None,
        clean_basis=CleanBasis.NONE, temperature_c=None, cause=Cause.NONE, evidence=evidence,
        advice="" if over else advice, consequence="" if over else follows,
        state=state_of(alarm, False), active=alarm.active, announce=announce, by=by,
        since_utc_s=since_utc_s(alarm, now), until_utc_s=until_utc_s(alarm, now),
    )  # fmt: skip


def acknowledge(
    state: SiteState, kinds: Iterable[AlarmKind], now: Moment, by: str = "", occurrence: int = 0
) -> tuple[SiteState, tuple[Event, ...]]:
    """Note that a person has seen these alarms; a test is over with that."""
    events: tuple[Event, ...] = ()
    for kind in kinds:
        old = state.alarm(kind)
        new = old if occurrence not in (0, old.occurrence) else acknowledged(old, now.line_s)
        if new is not old:
            state, event = _changed(state, kind, new, EventKind.ACKNOWLEDGED, now, by)
            events += (event,)
            if kind is AlarmKind.TEST:
                state = msgspec.structs.replace(state, test_until_s=now.line_s)
    return state, events


def hush(
    state: SiteState, kinds: Iterable[AlarmKind], quiet: Quiet | None, now: Moment, by: str = ""
) -> tuple[SiteState, tuple[Event, ...]]:
    """Shelve alarms of the site or take them out of service; with `None`, end that."""
    events: tuple[Event, ...] = ()
    for kind in kinds:
        old = state.alarm(kind)
        named = quiet if quiet is not None else old.quiet
        if named is None:
            continue
        shelved = named.kind is QuietKind.SHELVED
        begun = EventKind.SHELVED if shelved else EventKind.OUT_OF_SERVICE
        ended = EventKind.UNSHELVED if shelved else EventKind.IN_SERVICE
        new = hushed(old, quiet)
        if quiet is None:
            new = unheard_if_unacknowledged(new)
        state, event = _changed(state, kind, new, begun if quiet is not None else ended, now, by)
        events += (event,)
    return state, events


def begin_test(state: SiteState, now: Moment) -> SiteState:
    """Return the state in which a test alarm stands from the next look on, for ten minutes."""
    return msgspec.structs.replace(state, test_until_s=now.line_s + TEST_LASTS_S)


def _changed(
    state: SiteState, kind: AlarmKind, new: Alarm, event: EventKind, now: Moment, by: str
) -> tuple[SiteState, Event]:
    index = SITE_KINDS.index(kind)
    alarms = (*state.alarms[:index], new, *state.alarms[index + 1 :])
    told = event_of(event, kind, new, state.evidence[index], now, False, by)
    return msgspec.structs.replace(state, alarms=alarms), told
