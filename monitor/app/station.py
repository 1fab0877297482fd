"""All filters of a site, one step at a time: shared by the daemon, the rehearsal and the replay."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping

import msgspec

from monitor.alarms import watch
from monitor.alarms.pause import LONGEST_MIN, PauseKind
from monitor.alarms.watch import KINDS, WatchPlan, WatchState
from monitor.condition.flow import uncertainty_m3_per_s
from monitor.condition.pipeline import outlook
from monitor.delivery import payloads
from monitor.records import Assessment, Event, Moment, Order, Reading

_log = logging.getLogger(__name__)
_STEADY_S = 10.0  # what the shown flow is the mean over
_STATE_PREFIX = "filter/"
_ALARM_PREFIX = "alarm/"


class Station:
    """Holds plan and state of each filter, and the last event of each alarm for its topic."""

    def __init__(self, plans: Mapping[str, WatchPlan]) -> None:
        self.plans = dict(plans)
        self.states = {name: WatchState() for name in plans}
        self.seen: dict[str, Assessment] = {}
        self._failing: set[str] = set()
        self.alarm_events: dict[tuple[str, str], Event] = {}

    def tick(self, readings: Iterable[Reading], now: Moment) -> list[Event]:
        """Step every filter and return what happened."""
        sorted_out: dict[str, list[Reading]] = {name: [] for name in self.plans}
        for reading in readings:
            sorted_out[reading.filter_id].append(reading)
        events: list[Event] = []
        for name, plan in self.plans.items():
            try:
                state, seen, happened = watch.step(self.states[name], plan, sorted_out[name], now)
            except Exception:  # a fault in judging one filter must not blind the others
                if name not in self._failing:
                    self._failing.add(name)
                    _log.exception("judging %s failed; the other filters go on", name)
                continue
            self._failing.discard(name)
            self.states[name], self.seen[name] = state, seen
            events += self._noted(happened)
        return events

    def obey(self, order: Order, now: Moment) -> tuple[list[Event], str]:
        """Carry out an order and return what happened and the answer."""
        if order.filter_id not in self.plans:
            return [], f"refused: no filter {order.filter_id}"
        state, plan = self.states[order.filter_id], self.plans[order.filter_id]
        if order.name == "cleaned":
            state, events = watch.cleaned(state, plan, now)
            answer = "done: clean flow is being learned anew"
        elif order.name == "cleaned-undo":
            state, events = watch.cleaned_undone(state, plan, now)
            answer = (
                "done: the clean flow of before is back"
                if events
                else "refused: no cleaning to take back"
            )
        elif order.name == "renewed":
            state, events = watch.renewed(state, plan, now)
            answer = "done: it is another filter now; its clean flow is learned from the beginning"
        elif order.name in set(PauseKind):
            if not 0 < order.minutes <= LONGEST_MIN[PauseKind(order.name)]:
                return [], f"refused: a pause of {order.minutes:g} minutes"
            kind = PauseKind(order.name)
            state, events = watch.paused(state, plan, kind, order.minutes, now)
            answer = f"done: flow alarms wait for {order.minutes:g} min at the most"
        elif order.name == "resume":
            state, events = watch.pause_ended(state, plan, now)
            answer = "done: the pause is over" if events else "refused: there is no pause"
        else:
            return [], f"refused: unknown order {order.name}"
        self.states[order.filter_id] = state
        return self._noted(events), answer

    def _noted(self, events: Iterable[Event]) -> list[Event]:
        found = list(events)
        for event in found:
            if event.alarm is not None:
                self.alarm_events[event.filter_id, event.alarm] = event
        return found

    def saved(self) -> dict[str, bytes]:
        """Return everything that must survive a restart, by name."""
        whole = {_STATE_PREFIX + n: msgspec.json.encode(s) for n, s in self.states.items()}
        for (name, alarm), event in self.alarm_events.items():
            whole[f"{_ALARM_PREFIX}{name}/{alarm}"] = msgspec.json.encode(event)
        return whole

    def restore(self, saved: Mapping[str, bytes], now: Moment) -> list[str]:
        """Take up saved states; return a line for each that cannot be read and begins anew."""
        troubles = []
        for name, body in saved.items():
            try:
                if name.startswith(_ALARM_PREFIX):
                    event = msgspec.json.decode(body, type=Event)
                    if event.filter_id in self.plans and event.alarm is not None:
                        self.alarm_events[event.filter_id, event.alarm] = event
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
        phase = state.condition.reference.phase
        paused = None if state.pause is None else state.pause.kind
        ahead = outlook(state.condition)
        steady, sensor = seen.steady_m3_per_s, self.plans[name].condition.sensor
        error = None if steady is None else uncertainty_m3_per_s(steady, _STEADY_S, sensor)
        in_band = state.condition.thermal.in_band
        return payloads.state(seen, now, active, phase, simulated, ahead, paused, error, in_band)
