"""What a message does to the memory of a fleet: small effects, in any order, any number of times. Pure.

Messages come late, twice and through several workers, so every effect is one that does not mind: a
register keeps the value with the greatest place (`Put`), a set of numbers grows (`Seen`), a time only
goes up (`Heard`). So the memory after all messages is the same whatever their order; `Memory` here is
that memory in plain dictionaries, `monitor.hub.state` the one in Redis.

Places are compared within one journal, by the line that only goes forward, never by a clock: a
journal's fields carry its id. Which journal of a site is the present one is a register too, by the
newest time that a synchronised clock gave.
"""

from __future__ import annotations

from typing import Any

import msgspec

from monitor.fleet.messages import Alarm, Answer, Beat, Happened, Message, Presence, State, utc_s

_PRESENCE_RANK = {"online": 0, "lost": 1, "stopped": 2}
# What people are told of, when the site says that they should be.
_TOLD = frozenset({"raised", "escalated", "cleared"})
_CLEANINGS = frozenset({"cleaned", "cleaned-undone"})
_encode = msgspec.json.encode


class Index(msgspec.Struct, frozen=True):
    """A place in an index of the whole fleet that follows a register; `score` `None` takes it away."""

    name: str
    member: str
    score: float | None


class Put(msgspec.Struct, frozen=True):
    """A register of a site keeps the value with the greatest place."""

    site: str
    field: str
    place: str
    value: str
    index: Index | None = None


class Seen(msgspec.Struct, frozen=True):
    """An event of a journal has arrived; the first time, `note` is put down for people."""

    site: str
    journal: str
    number: int
    note: str = ""


class Newest(msgspec.Struct, frozen=True):
    """A journal has got so far; who has seen fewer events asks for the others."""

    site: str
    journal: str
    number: int


class Settled(msgspec.Struct, frozen=True):
    """The site's journal does not have these; whatever else is missing was lost on the way."""

    site: str
    journal: str
    first: int
    last: int


class Heard(msgspec.Struct, frozen=True):
    """A site was heard at a time of the hub's own clock; 0 for words of the past."""

    site: str
    utc_s: float


class Said(msgspec.Struct, frozen=True):
    """The hub itself has something to tell of a site; whoever tells drops what was told before."""

    site: str
    note: str


class Row(msgspec.Struct, frozen=True):
    """A line for the time-series server."""

    site: str
    line: str


Effect = Put | Seen | Newest | Settled | Heard | Said | Row


def effects(
    site: str, message: Message, received_s: float, retained: bool, correlation: bytes = b""
) -> list[Effect]:
    """Return what a message does.

    Args:
        site: whose it is.
        message: as `monitor.fleet.messages.read` returns it.
        received_s: when it came, by the hub's own clock.
        retained: it stood at the broker, so that it is no sign of life.
        correlation: of an answer, as `asked` made it.
    """
    match message:
        case State():
            found = _state(site, message)
        case Beat():
            found = _beat(site, message)
        case Happened():
            found = _happened(site, message)
        case Alarm():
            found = _alarm(site, message)
        case Presence():
            found = _presence(site, message)
        case Answer():
            found = _answer(site, message, correlation)
    absent = isinstance(message, Presence) and message.presence != "online"
    found.append(Heard(site, 0.0 if retained or absent else received_s))
    return found


def _at(line_s: float, number: int = 0) -> str:
    """A place on the line, as text that sorts as the numbers do."""
    return f"{line_s:016.3f}|{number:010d}"


def _present(site: str, journal: str, time: str, synchronised: bool) -> Put:
    """Which journal is the present one; a clock that may be wrong has no say beside one that is right."""
    return Put(site, "journal", f"{time if synchronised else ''}|{journal}", journal)


def _state(site: str, seen: State) -> list[Effect]:
    due, member = None, f"{site}|{seen.filter}|{seen.journal}"
    if seen.cleaning_due is not None and seen.cleaning_due.median_days is not None:
        due = utc_s(seen.time) + seen.cleaning_due.median_days * 86400.0
    value = {
        "time": seen.time,
        "run": seen.run,
        "flow_l_per_h": seen.flow_l_per_h,
        "flow_quality": seen.flow_quality,
        "clean_flow_l_per_h": seen.clean_flow_l_per_h,
        "share_of_clean": seen.share_of_clean,
        "learning": seen.learning,
        "temperature_c": seen.temperature_c,
        "fouling": seen.fouling,
        "cleaning_due": seen.cleaning_due,
        "alarms": seen.alarms,
        "alarm_states": seen.alarm_states,
        "pause": seen.pause,
        "simulated": seen.simulated,
    }
    return [
        Put(
            site,
            f"{seen.journal}/state/{seen.filter}",
            _at(seen.line_s),
            _text(value),
            Index("due", member, due),
        ),
        _present(site, seen.journal, seen.time, seen.clock_synchronised),
    ]


def _beat(site: str, beat: Beat) -> list[Effect]:
    value = {
        "time": beat.time,
        "clock_synchronised": beat.clock_synchronised,
        "run": beat.run,
        "version": beat.version,
        "next_within_s": beat.next_within_s,
        "alarms": beat.alarms,
        "running": beat.running,
        "not_running": beat.not_running,
    }
    return [
        Put(site, f"{beat.journal}/beat", _at(beat.line_s), _text(value)),
        Put(site, f"{beat.journal}/run/{beat.run}", _at(beat.line_s), f"{beat.line_s:.3f}"),
        _present(site, beat.journal, beat.time, beat.clock_synchronised),
        Newest(site, beat.journal, beat.sequence),
    ]


def _presence(site: str, said: Presence) -> list[Effect]:
    place = f"{said.began_line_s:016.3f}|{said.connection:010d}|{_PRESENCE_RANK[said.presence]}"
    value = {
        "presence": said.presence,
        "run": said.run,
        "began_line_s": said.began_line_s,
        "connection": said.connection,
        "time": said.time,
        "version": said.version,
    }
    began = f"{said.journal}/began/{said.run}"
    return [
        Put(site, f"{said.journal}/presence", place, _text(value)),
        Put(site, began, _at(said.began_line_s), f"{said.began_line_s:.3f}"),
    ]


def _alarm(site: str, stands: Alarm) -> list[Effect]:
    if stands.line_s is None or stands.time is None:
        return []  # it was never raised
    value = _standing(stands, stands.active)
    place = _at(stands.line_s)  # the event itself, if it comes, has the last word
    return [_standing_put(site, stands.journal, stands.filter, stands.alarm, place, value)]


def _happened(site: str, event: Happened) -> list[Effect]:
    tell = event.announce and event.event in _TOLD and event.alarm is not None
    found: list[Effect] = [
        Seen(site, event.journal, event.sequence, _text(event) if tell else ""),
    ]
    place = _at(event.line_s, event.sequence)
    if event.alarm is not None:
        active = event.event != "cleared" and event.state in _ACTIVE
        value = _standing(event, active)
        found.append(_standing_put(site, event.journal, event.filter, event.alarm, place, value))
    if event.event in _CLEANINGS and event.filter is not None:
        kept = {
            "time": event.time,
            "event": event.event,
            "clean_flow_l_per_h": event.clean_flow_l_per_h,
            "by": event.by,
        }
        field = f"{event.journal}/cleaned/{event.filter}/{event.sequence:010d}"
        found.append(Put(site, field, place, _text(kept)))
    if event.alarm == "cleaning-due" and event.event == "raised":
        field = f"{event.journal}/due/{event.filter or ''}/{event.sequence:010d}"
        found.append(Put(site, field, place, event.time))
    return found


# In these the condition of an alarm may stand; in "returned to normal" and "latched" it is over.
_ACTIVE = frozenset(
    {"unacknowledged", "acknowledged", "shelved", "suppressed by design", "out of service"}
)


def _standing(of: Alarm | Happened, active: bool) -> dict[str, Any]:
    return {
        "time": of.time,
        "active": active,
        "state": of.state,
        "priority": of.priority,
        "occurrence": of.occurrence,
        "cause": of.cause,
        "evidence": of.evidence,
        "advice": of.advice,
        "consequence": of.consequence,
        "sure": of.sure,
        "since": of.since,
        "until": of.until,
        "by": of.by,
        "simulated": of.simulated,
    }


def _standing_put(
    site: str, journal: str, filter_id: str | None, alarm: str, place: str, value: dict[str, Any]
) -> Put:
    of = filter_id or ""
    stands = value["state"] != "normal"
    since = value["since"] or value["time"]
    score = utc_s(since) if stands else None
    index = Index("standing", f"{site}|{of}|{alarm}|{journal}", score)
    return Put(site, f"{journal}/alarm/{of}/{alarm}", place, _text(value), index)


def asked(journal: str, first: int, last: int) -> bytes:
    """Return the correlation data of a question for missed events."""
    return f"{journal} {first} {last}".encode()


def _answer(site: str, said: Answer, correlation: bytes) -> list[Effect]:
    parts = correlation.split(b" ")
    if not said.accepted or said.order != "resend" or len(parts) != 3:
        return []
    journal = parts[0].decode("ascii", "replace")
    if journal != said.journal or not (parts[1].isdigit() and parts[2].isdigit()):
        return []
    first, last = int(parts[1]), int(parts[2])
    if not 0 < first <= last < first + 1000:
        return []
    clipped = [(max(first, a), min(last, b)) for a, b in said.missing]
    return [Settled(site, journal, a, b) for a, b in clipped if a <= b]


def _text(value: Any) -> str:
    return _encode(value).decode()


class Memory:
    """The memory of a fleet in plain dictionaries: what Redis must hold too."""

    def __init__(self) -> None:
        self.registers: dict[str, dict[str, tuple[str, str]]] = {}
        self.indexes: dict[str, dict[str, float]] = {"due": {}, "standing": {}}
        self.seen: dict[tuple[str, str], set[int]] = {}
        self.settled: dict[tuple[str, str], set[int]] = {}
        self.newest: dict[tuple[str, str], int] = {}
        self.heard: dict[str, float] = {}
        self.notes: list[str] = []

    def apply(self, effect: Effect) -> None:
        """Let one effect happen."""
        match effect:
            case Put():
                self._put(effect)
            case Seen():
                numbers = self.seen.setdefault((effect.site, effect.journal), set())
                if effect.number not in numbers:
                    numbers.add(effect.number)
                    if effect.note:
                        self.notes.append(effect.note)
            case Newest():
                of = (effect.site, effect.journal)
                self.newest[of] = max(self.newest.get(of, 0), effect.number)
            case Settled():
                numbers = self.settled.setdefault((effect.site, effect.journal), set())
                numbers.update(range(effect.first, effect.last + 1))
            case Heard():
                self.heard[effect.site] = max(self.heard.get(effect.site, 0.0), effect.utc_s)
            case Said():
                self.notes.append(effect.note)
            case Row():
                pass

    def _put(self, put: Put) -> None:
        fields = self.registers.setdefault(put.site, {})
        mine = (put.place, put.value)
        if put.field in fields and fields[put.field] >= mine:
            return
        fields[put.field] = mine
        if put.index is not None:
            index = self.indexes[put.index.name]
            if put.index.score is None:
                index.pop(put.index.member, None)
            else:
                index[put.index.member] = put.index.score

    def missing(self, site: str, journal: str) -> list[int]:
        """Return the numbers of events that have not come and may still come."""
        have = self.seen.get((site, journal), set()) | self.settled.get((site, journal), set())
        return [n for n in range(1, self.newest.get((site, journal), 0) + 1) if n not in have]
