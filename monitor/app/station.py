"""All filters of a site, one step at a time: shared by the daemon, the rehearsal and the replay."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping

import msgspec

from monitor.alarms import site, watch
from monitor.alarms.life import state_of
from monitor.alarms.site import SITE, SITE_KINDS, Fact, SiteState
from monitor.alarms.watch import KINDS, WatchPlan, WatchState
from monitor.app.obey import obey
from monitor.condition.flow import uncertainty_m3_per_s
from monitor.condition.pipeline import outlook
from monitor.delivery import payloads
from monitor.records import (
    AlarmKind,
    AlarmState,
    Assessment,
    Event,
    EventKind,
    Moment,
    Order,
    Quality,
    Reading,
)

_log = logging.getLogger(__name__)
_STEADY_S = 10.0  # what the shown flow is the mean over
_STATE_PREFIX = "filter/"
_ALARM_PREFIX = "alarm/"
_SITE_NAME = "site"


def _is_stop(event: Event) -> bool:
    return event.alarm is AlarmKind.FLOW_STOPPED and event.event is EventKind.RAISED


class Station:
    """Holds plan and state of each filter, and the last event of each alarm for its topic."""

    def __init__(self, plans: Mapping[str, WatchPlan]) -> None:
        self.plans = dict(plans)
        self.states = {name: WatchState() for name in plans}
        self.site = SiteState()
        self.seen: dict[str, Assessment] = {}
        self._failing: set[str] = set()
        self.alarm_events: dict[tuple[str, str], Event] = {}

    def tick(
        self,
        readings: Iterable[Reading],
        now: Moment,
        facts: Mapping[AlarmKind, Fact] | None = None,
    ) -> list[Event]:
        """Step every filter, then the site with the facts known of it; return what happened."""
        sorted_out: dict[str, list[Reading]] = {name: [] for name in self.plans}
        for reading in readings:
            sorted_out[reading.filter_id].append(reading)
        events: list[Event] = []
        for name, plan in self.plans.items():
            try:
                state, seen, happened = watch.step(self.states[name], plan, sorted_out[name], now)
            except Exception:  # a fault in judging one filter must not blind the others
                self.seen.pop(name, None)  # what was seen before is not what is
                if name not in self._failing:
                    self._failing.add(name)
                    _log.exception("judging %s failed; the other filters go on", name)
                continue
            self._failing.discard(name)
            self.states[name], self.seen[name] = state, seen
            events += happened
        return self._noted(self._of_site(events, facts or {}, now))

    def _of_site(
        self, events: list[Event], facts: Mapping[AlarmKind, Fact], now: Moment
    ) -> list[Event]:
        """Judge the site, and let its power explain the stops that go with it."""
        lost = site.power(list(self.states.values()))
        known = {**facts, AlarmKind.POWER_GONE: lost}
        if self._failing:
            blind = f"judging {', '.join(sorted(self._failing))} fails"
            known[AlarmKind.READER_DEAD] = Fact(True, False, blind)
        how = next(iter(self.plans.values()))
        self.site, told = site.judge(self.site, known, how.announcing, how.latching, now)
        power = self.site.alarm(AlarmKind.POWER_GONE)
        # Of what a person wants to hear nothing, it must not swallow what would be heard.
        gone = power.stands and power.quiet is None
        fresh = {
            e.filter_id
            for e in events
            if e.alarm is AlarmKind.FLOW_STOPPED and e.event is EventKind.RAISED
        }
        for name, state in self.states.items():
            self.states[name] = site.explained(state, gone, name in fresh)
        if gone and told:
            events = [site.unsaid(e) if _is_stop(e) else e for e in events]
        return [*events, *told]

    def obey(self, order: Order, now: Moment) -> tuple[list[Event], str]:
        """Carry out an order and return what happened and the answer."""
        self.states, self.site, events, answer = obey(
            order, self.states, self.plans, self.site, now
        )
        return self._noted(events), answer

    def _noted(self, events: Iterable[Event]) -> list[Event]:
        found = list(events)
        for event in found:
            if event.alarm is not None:
                self.alarm_events[event.filter_id, event.alarm] = event
        return found

    def site_payload(self) -> dict[str, object]:
        """Return how the site's own alarms stand, for the live file and `status`."""
        stands = {k.value: state_of(self.site.alarm(k), False) for k in SITE_KINDS}
        return payloads.site({k.value: self.site.alarm(k).active for k in SITE_KINDS}, stands)

    def alarm_state(self, filter_id: str, kind: AlarmKind) -> AlarmState:
        """Return where an alarm of a filter, or with an empty id of the site, stands now."""
        if filter_id == SITE:
            return state_of(self.site.alarm(kind), False)
        state = self.states[filter_id]
        return state_of(state.alarm(kind), state.suppressed(kind))

    def running(self) -> dict[str, bool]:
        """Return for each filter whether water is known to move."""
        found = {}
        for name, state in self.states.items():
            seen = self.seen.get(name)
            known = seen is not None and seen.flow_quality in (Quality.GOOD, Quality.COLLECTING)
            stopped = state.alarm(AlarmKind.FLOW_STOPPED).active
            found[name] = known and not stopped and state.condition.cycle.still_s is None
        return found

    def saved(self) -> dict[str, bytes]:
        """Return everything that must survive a restart, by name."""
        whole = {_STATE_PREFIX + n: msgspec.json.encode(s) for n, s in self.states.items()}
        for (name, alarm), event in self.alarm_events.items():
            whole[f"{_ALARM_PREFIX}{name}/{alarm}"] = msgspec.json.encode(event)
        whole[_SITE_NAME] = msgspec.json.encode(self.site)
        return whole

    def restore(self, saved: Mapping[str, bytes], now: Moment) -> list[str]:
        """Take up saved states; return a line for each that cannot be read and begins anew."""
        troubles = []
        for name, body in saved.items():
            try:
                if name.startswith(_ALARM_PREFIX):
                    event = msgspec.json.decode(body, type=Event)
                    known = event.filter_id == SITE or event.filter_id in self.plans
                    if known and event.alarm is not None:
                        self.alarm_events[event.filter_id, event.alarm] = event
                elif name == _SITE_NAME:
                    self.site = site.resumed(msgspec.json.decode(body, type=SiteState))
                elif name.startswith(_STATE_PREFIX):
                    filter_id = name.removeprefix(_STATE_PREFIX)
                    if filter_id in self.plans:
                        state = msgspec.json.decode(body, type=WatchState)
                        if len(state.alarms) > len(KINDS):
                            raise msgspec.DecodeError("another set of alarms")
                        self.states[filter_id] = watch.resumed(state, self.plans[filter_id], now)
            except msgspec.DecodeError as error:
                troubles.append(f"saved {name} cannot be read ({error}); it begins anew")
        return troubles

    def state_payload(self, name: str, now: Moment, simulated: bool) -> dict[str, object]:
        """Return the picture of one filter for topics, the live file and `status`."""
        state = self.states[name]
        seen = self.seen.get(name) or watch.picture(state, self.plans[name])
        active = {kind.value: state.alarm(kind).active for kind in KINDS}
        stands = {k.value: state_of(state.alarm(k), state.suppressed(k)) for k in KINDS}
        phase = state.condition.reference.phase
        paused = None if state.pause is None else state.pause.kind
        ahead = outlook(state.condition)
        steady, sensor = seen.steady_m3_per_s, self.plans[name].condition.sensor
        error = None if steady is None else uncertainty_m3_per_s(steady, _STEADY_S, sensor)
        in_band = state.condition.thermal.in_band
        return payloads.state(
            seen, now, active, stands, phase, simulated, ahead, paused, error, in_band
        )
