"""Messages of the sites, read strictly: whose, of what kind, and no more than is described. Pure.

What is described is in deploy/asyncapi.yaml. Keys that are not known are passed over, so that a newer
site is understood; what is missing or of another type is refused, with a word that can be counted.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

import msgspec

FORMAT = 1
MOST_BYTES = 65536
_Count = Annotated[int, msgspec.Meta(ge=0, le=2**53)]
# Bits are kept for sequence numbers: a number out of all reason must not cost a gigabyte.
MOST_EVENTS = 5_000_000
_Number = Annotated[int, msgspec.Meta(ge=1, le=MOST_EVENTS)]
_Line = Annotated[float, msgspec.Meta(ge=0, le=1e11)]
_Word = Annotated[str, msgspec.Meta(pattern=r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$", max_length=32)]
_Kind = Annotated[str, msgspec.Meta(pattern=r"^[a-z]+(-[a-z]+)*$", max_length=40)]
_Id = Annotated[str, msgspec.Meta(pattern=r"^[0-9A-Za-z_-]+$", max_length=32)]
_Text = Annotated[str, msgspec.Meta(max_length=4000)]
_Time = Annotated[str, msgspec.Meta(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$")]


class Refused(Exception):
    """Why a message is not taken.

    Args:
        reason: a few words that are the same for all of the kind, to be counted by.
        detail: about this one.
    """

    def __init__(self, reason: str, detail: str = "") -> None:
        self.reason = reason
        self.detail = detail
        super().__init__(f"{reason}: {detail}" if detail else reason)


class Presence(msgspec.Struct, frozen=True):
    """Birth, will or farewell of a site."""

    format: int
    presence: Literal["online", "lost", "stopped"]
    journal: _Id
    run: _Id
    began_line_s: _Line
    connection: _Number
    time: _Time | None
    version: Annotated[str, msgspec.Meta(max_length=40)]


class Due(msgspec.Struct, frozen=True):
    """When cleaning will be due, in days from the state's time; an 80 % interval."""

    low_days: float | None
    median_days: float | None
    high_days: float | None
    trend: bool


class State(msgspec.Struct, frozen=True):
    """The newest picture of one filter."""

    format: int
    time: _Time
    line_s: _Line
    clock_synchronised: bool
    filter: _Word
    site: _Word
    journal: _Id
    run: _Id
    flow_l_per_h: float | None
    flow_quality: _Text
    clean_flow_l_per_h: float | None
    share_of_clean: float | None
    learning: _Text
    temperature_c: float | None
    fouling: float | None
    cleaning_due: Due | None
    alarms: list[_Kind]
    alarm_states: dict[str, str]
    pause: str | None
    simulated: bool
    clean_flow_basis: _Text = ""


class Alarm(msgspec.Struct, frozen=True):
    """How one alarm stands; `line_s` is null for one that was never raised."""

    format: int
    active: bool
    time: _Time | None
    line_s: _Line | None
    filter: _Word | None
    alarm: _Kind
    occurrence: _Count
    cause: _Kind
    evidence: _Text
    advice: _Text
    consequence: _Text
    sure: float | None
    priority: _Text
    state: _Text
    since: _Time | None
    until: _Time | None
    by: _Text
    simulated: bool
    site: _Word
    journal: _Id


class Happened(msgspec.Struct, frozen=True):
    """An event."""

    format: int
    id: _Text
    site: _Word
    journal: _Id
    run: _Id
    sequence: _Number
    simulated: bool
    time: _Time
    line_s: _Line
    filter: _Word | None
    alarm: _Kind | None
    event: _Kind
    occurrence: _Count
    flow_l_per_h: float | None
    clean_flow_l_per_h: float | None
    temperature_c: float | None
    cause: _Kind
    evidence: _Text
    advice: _Text
    consequence: _Text
    sure: float | None
    priority: str | None
    state: str | None
    since: _Time | None
    until: _Time | None
    announce: bool
    by: _Text


class Beat(msgspec.Struct, frozen=True):
    """A sign of life: who is watched, and when the next one comes at the latest."""

    format: int
    time: _Time
    line_s: _Line
    clock_synchronised: bool
    site: _Word
    journal: _Id
    run: _Id
    sequence: Annotated[int, msgspec.Meta(ge=0, le=MOST_EVENTS)]
    next_within_s: Annotated[float, msgspec.Meta(gt=0, le=86400)]
    version: Annotated[str, msgspec.Meta(max_length=40)]
    alarms: list[_Kind]
    running: list[_Word]
    not_running: list[_Word]


class Answer(msgspec.Struct, frozen=True):
    """What became of an order that the hub gave; `missing` are the gaps of the journal asked for."""

    format: int
    order: str | None
    accepted: bool
    answer: _Text
    journal: str = ""
    missing: Annotated[list[tuple[_Number, _Number]], msgspec.Meta(max_length=1000)] = []


Message = Presence | State | Alarm | Happened | Beat | Answer
_PRESENCE = msgspec.json.Decoder(Presence)
_STATE = msgspec.json.Decoder(State)
_ALARM = msgspec.json.Decoder(Alarm)
_HAPPENED = msgspec.json.Decoder(Happened)
_BEAT = msgspec.json.Decoder(Beat)
_ANSWER = msgspec.json.Decoder(Answer)
_WORD_PATTERN = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_LOOK = msgspec.json.Decoder(dict[str, msgspec.Raw])


def filters(root: str) -> list[str]:
    """Return what a reader of all sites subscribes to."""
    return [f"{root}/+/{below}" for below in (*RETAINED, "events", "answers/hub")]


# The topics that stand, and from which a lost memory is filled again.
RETAINED = ("presence", "heartbeat", "filters/+/state", "filters/+/alarms/+", "alarms/+")


def read(topic: str, payload: bytes, root: str) -> tuple[str, Message]:
    """Return the site that a message is from, and the message.

    Raises:
        Refused: it is none of ours, or not as described, or speaks for another site.
    """
    if not topic.startswith(root + "/"):
        raise Refused("foreign topic")
    site, _, below = topic[len(root) + 1 :].partition("/")
    decoder, filter_id, alarm = _kind(below)
    if len(payload) > MOST_BYTES:
        raise Refused("too large", f"{len(payload)} bytes, at the most {MOST_BYTES}")
    if len(site) > 32 or not _WORD_PATTERN.fullmatch(site):
        raise Refused("not as described", f"{site[:40]!r} is no name of a site")
    try:
        message: Message = decoder.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise _judged(payload, error) from error
    if message.format != FORMAT:
        raise Refused("another version", f"format {message.format}, expected {FORMAT}")
    if not isinstance(message, Presence | Answer) and message.site != site:
        raise Refused("speaks for another site", f"{message.site} on the topic of {site}")
    if filter_id is not None and getattr(message, "filter", None) != (filter_id or None):
        raise Refused("speaks for another filter", f"on {below}")
    if alarm and getattr(message, "alarm", None) != alarm:
        raise Refused("speaks for another alarm", f"on {below}")
    return site, message


def _kind(below: str) -> tuple[msgspec.json.Decoder[Message], str | None, str]:
    """The decoder for a topic below the site's, and the filter and alarm that it names."""
    parts = below.split("/")
    match parts:
        case ["filters", filter_id, "state"]:
            return _STATE, filter_id, ""  # type: ignore[return-value]
        case ["heartbeat"]:
            return _BEAT, None, ""  # type: ignore[return-value]
        case ["events"]:
            return _HAPPENED, None, ""  # type: ignore[return-value]
        case ["presence"]:
            return _PRESENCE, None, ""  # type: ignore[return-value]
        case ["filters", filter_id, "alarms", alarm]:
            return _ALARM, filter_id, alarm  # type: ignore[return-value]
        case ["alarms", alarm]:
            return _ALARM, "", alarm  # type: ignore[return-value]
        case ["answers", "hub"]:
            return _ANSWER, None, ""  # type: ignore[return-value]
    raise Refused("foreign topic")


def _judged(payload: bytes, error: Exception) -> Refused:
    """Tell broken JSON from a version we do not know from what is not as described."""
    detail = str(error)[:200]
    try:
        fields = _LOOK.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return Refused("no JSON", detail)
    if bytes(fields.get("format", b"1")) != str(FORMAT).encode():
        return Refused("another version", f"expected format {FORMAT}")
    return Refused("not as described", detail)


def utc_s(time: str) -> float:
    """Return seconds since 1970-01-01 UTC of a time such as `2026-03-01T08:00:00.000Z`.

    The day's number by the arithmetic of the proleptic Gregorian calendar: years begin in March, so that
    the leap day is the last.
    """
    year, month, day = int(time[:4]), int(time[5:7]), int(time[8:10])
    year -= month <= 2
    of_year = (153 * ((month + 9) % 12) + 2) // 5 + day - 1
    days = 365 * year + year // 4 - year // 100 + year // 400 + of_year - 719468
    return days * 86400.0 + int(time[11:13]) * 3600 + int(time[14:16]) * 60 + float(time[17:23])
