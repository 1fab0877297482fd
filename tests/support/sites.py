"""Invented sites whose messages are made by the program's own payloads: what a hub is sent.

A site lives through `days` with a few filters: states and signs of life every so often, alarms that
are raised, acknowledged and cleared, cleanings, restarts, now and then a new card. Everything follows
from the seed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any, NamedTuple

import msgspec

from monitor.delivery import payloads
from monitor.delivery.topics import Topics
from monitor.records import (
    AlarmKind,
    AlarmState,
    Assessment,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    Moment,
    Outlook,
    Quality,
)

DAY_S = 86400.0
BEGAN_UTC_S = 1_790_000_000.0


class Sent(NamedTuple):
    """A message, when it was made, and whether it stands at the broker."""

    at_s: float
    topic: str
    payload: bytes
    retain: bool


class Site:
    """One site; `messages` are in the order in which it sends them."""

    def __init__(
        self,
        name: str,
        seed: int,
        days: float,
        every_s: float = 6 * 3600.0,
        filters: int = 2,
        began_utc_s: float = BEGAN_UTC_S,
    ) -> None:
        self._began_utc_s = began_utc_s
        self.topics = Topics("canister", name)
        self._random = random.Random(f"{name}{seed}")
        self._filters = [f"tank_{n}" for n in range(filters)]
        self.journal = self._id(12)
        self.events: dict[int, bytes] = {}
        self.messages: list[Sent] = list(self._live(days, every_s))

    def _id(self, length: int) -> str:
        return f"{self._random.getrandbits(4 * length):0{length}x}"

    def _live(self, days: float, every_s: float) -> Iterator[Sent]:
        rng, at_s, sequence, run = self._random, 0.0, 0, self._id(12)
        self._occurrence: dict[str, int] = dict.fromkeys(self._filters, 0)
        standing: dict[str, AlarmState] = {}
        began_s, connection = 0.0, 1
        yield self._presence("online", run, began_s, connection, at_s)
        while at_s < days * DAY_S:
            at_s += every_s * rng.uniform(0.8, 1.2)
            if rng.random() < 0.02:  # a restart
                run, began_s, connection = self._id(12), at_s, 1
                yield self._presence("online", run, began_s, connection, at_s)
            elif rng.random() < 0.03:  # the line was gone
                yield self._presence("lost", run, began_s, connection, at_s)
                connection += 1
                yield self._presence("online", run, began_s, connection, at_s)
            for name in self._filters:
                for event in self._happens(name, standing, at_s):
                    sequence += 1
                    yield from self._event(event, run, sequence)
                yield self._state(name, run, standing, at_s)
            yield self._beat(run, sequence, at_s)
        yield self._beat(run, sequence, at_s)

    def _happens(self, name: str, standing: dict[str, AlarmState], at_s: float) -> Iterator[Event]:
        rng, now = self._random, standing.get(name, AlarmState.NORMAL)
        if now is AlarmState.NORMAL and rng.random() < 0.06:
            self._occurrence[name] += 1
            standing[name] = AlarmState.UNACKNOWLEDGED
            yield self._made(name, EventKind.RAISED, standing[name], at_s)
        elif now is AlarmState.UNACKNOWLEDGED:
            standing[name] = AlarmState.ACKNOWLEDGED
            yield self._made(name, EventKind.ACKNOWLEDGED, standing[name], at_s)
        elif now is AlarmState.ACKNOWLEDGED and rng.random() < 0.5:
            standing[name] = AlarmState.NORMAL
            yield self._made(name, EventKind.CLEARED, standing[name], at_s)
            yield self._made(name, EventKind.CLEANED, None, at_s + 1.0)

    def stops(self, name: str, at_s: float) -> list[Sent]:
        """Let a filter stop at a time after all that was lived through; nobody has acknowledged it."""
        self._occurrence[name] += 1
        sequence = max(self.events, default=0) + 1
        event = self._made(name, EventKind.RAISED, AlarmState.UNACKNOWLEDGED, at_s)
        return list(self._event(event, self._id(12), sequence))

    def _made(self, name: str, kind: EventKind, state: AlarmState | None, at_s: float) -> Event:
        alarm = None if state is None else AlarmKind.FLOW_STOPPED
        utc_s = self._began_utc_s + at_s
        return Event(
            name, kind, at_s, utc_s, alarm, self._occurrence[name] if alarm else 0, 0.0, 2e-4,
            CleanBasis.MEASURED, 25.0, Cause.BLOCKED, "no pulse for 3 s, ½ of clean before",
            "look at the impeller", state=state or AlarmState.NORMAL,
            active=state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
            announce=kind in (EventKind.RAISED, EventKind.CLEARED), since_utc_s=utc_s if alarm else None,
        )  # fmt: skip

    def _event(self, event: Event, run: str, sequence: int) -> Iterator[Sent]:
        of = self.topics.site
        body = payloads.identified(payloads.event(event), of, self.journal, run, sequence)
        self.events[sequence] = body
        yield Sent(event.line_s, self.topics.events, body, False)
        if event.alarm is not None:
            stands = payloads.alarm(event) | {"site": of, "journal": self.journal, "run": run}
            topic = self.topics.alarm(event.filter_id, event.alarm)
            yield Sent(event.line_s, topic, msgspec.json.encode(stands), True)

    def _state(self, name: str, run: str, standing: dict[str, AlarmState], at_s: float) -> Sent:
        rng, now = self._random, Moment(at_s, self._began_utc_s + at_s)
        share = 1.0 - 0.3 * (at_s / DAY_S % 30) / 30
        seen = Assessment(name, 1.0, share * 2e-4, Quality.GOOD, share * 2e-4, share * 2e-4, 2e-4,
                          CleanBasis.MEASURED, 25.0 + rng.gauss(0, 0.1), Quality.GOOD, 0.0, True)  # fmt: skip
        state = standing.get(name, AlarmState.NORMAL)
        left_s = rng.uniform(5, 30) * DAY_S
        ahead = Outlook(left_s * 0.7, left_s, left_s * 1.5, True, "steady", 0.5)
        fields = payloads.state(
            seen, now, {"flow-stopped": state is not AlarmState.NORMAL}, {"flow-stopped": state},
            "held", True, ahead,
        )  # fmt: skip
        more = {"site": self.topics.site, "journal": self.journal, "run": run}
        return Sent(at_s, self.topics.state(name), msgspec.json.encode(fields | more), True)

    def _beat(self, run: str, sequence: int, at_s: float) -> Sent:
        running = dict.fromkeys(self._filters, True)
        fields: dict[str, Any] = payloads.heartbeat(
            Moment(at_s, self._began_utc_s + at_s), run, "1", {}, running
        )
        more = {"site": self.topics.site, "journal": self.journal, "sequence": sequence}
        body = msgspec.json.encode(fields | more | {"next_within_s": 60.0})
        return Sent(at_s, self.topics.heartbeat, body, True)

    def _presence(self, word: str, run: str, began_s: float, connection: int, at_s: float) -> Sent:
        who = payloads.Run(self.journal, run, began_s)
        utc_s = None if word == "lost" else self._began_utc_s + at_s
        body = msgspec.json.encode(payloads.presence(word, who, connection, utc_s, "1"))
        return Sent(at_s, self.topics.presence, body, True)
