"""Orders that come over MQTT: reads them, and keeps account of the answers that are owed. Pure.

What a stranger may have written is read strictly: size, keys, types. Whether an order makes sense is
judged where all orders are carried out.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated

import msgspec

from monitor.records import Order

_MOST_BYTES = 4096
RESEND = "resend"
MOST_AGAIN = 1000
_Word = Annotated[str, msgspec.Meta(max_length=64)]


class _Command(msgspec.Struct, forbid_unknown_fields=True):
    order: _Word
    filter: _Word = ""
    alarm: _Word = ""
    occurrence: Annotated[int, msgspec.Meta(ge=0, le=2**53)] = 0
    minutes: Annotated[float, msgspec.Meta(ge=0, le=1e6)] = 0.0
    by: Annotated[str, msgspec.Meta(max_length=80)] = ""
    first: Annotated[int, msgspec.Meta(ge=0, le=2**53)] = 0
    last: Annotated[int, msgspec.Meta(ge=0, le=2**53)] = 0
    time: Annotated[datetime, msgspec.Meta(tz=True)] | None = None


class Resend(msgspec.Struct, frozen=True):
    """Who has missed events asks for them again, by their numbers, both included."""

    first: int
    last: int


class Arrived(msgspec.Struct, frozen=True):
    """A command as it came: payload, whether it was retained, where its answer goes.

    `waited`: it was at the broker while nobody was here to take it, nobody knows for how long.
    """

    payload: bytes
    retained: bool = False
    answer_to: str = ""
    correlation: bytes = b""
    waited: bool = False


class Owed(msgspec.Struct, frozen=True):
    """An answer that is owed: the order's place in the journal, its name and filter, and the way."""

    seq: int
    order: str
    filter_id: str
    to: str
    correlation: bytes
    until_s: float


class Unreadable(Exception):
    """Why a command is not even put down; the text is for whoever sent it."""


def read(arrived: Arrived) -> tuple[Order | Resend, float | None]:
    """Return what a command asks for, and when it was given by its own word.

    Raises:
        Unreadable: it is retained, too long, no JSON, or has keys or types that are not known; or it
            has waited at the broker and makes no sense late.
    """
    if arrived.retained:
        raise Unreadable(
            "a retained command would come again at every connection; publish it plain"
        )
    if len(arrived.payload) > _MOST_BYTES:
        raise Unreadable(f"{len(arrived.payload)} bytes; at the most {_MOST_BYTES}")
    try:
        asked = msgspec.json.decode(arrived.payload, type=_Command)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:  # ValidationError is among them
        raise Unreadable(f"{error}; expected a JSON object such as " + _EXAMPLE) from error
    if asked.order == RESEND:
        if not 1 <= asked.first <= asked.last < asked.first + MOST_AGAIN:
            raise Unreadable(
                f"first {asked.first} and last {asked.last}; expected numbers from 1 that rise, "
                f"{MOST_AGAIN} events at the most"
            )
        return Resend(asked.first, asked.last), None
    made_utc_s = None if asked.time is None else asked.time.timestamp()
    # A pause or a shelving begins when it is given, and only its time tells how much is left of it.
    if arrived.waited and asked.minutes > 0 and made_utc_s is None:
        raise Unreadable(f"{_WAITED}; give it again, or with the time it was given at")
    # An acknowledgement is of what its maker has seen.
    if arrived.waited and asked.order == "acknowledge" and asked.occurrence == 0:
        raise Unreadable(f"{_WAITED}; give it again, or with the occurrence that was seen")
    order = Order(asked.order, asked.filter, asked.minutes, asked.alarm, asked.occurrence, asked.by)
    return order, made_utc_s


_WAITED = "it waited at the broker while nobody was here to take it"
_EXAMPLE = '{"order": "acknowledge", "filter": "long_tank"}'


def answer_topic(asked: str, own: str) -> str:
    """Return where an answer goes: where the command asks, if that is one of our answer topics.

    Anything else would let a stranger make us write where others trust us.
    """
    below = asked == own or asked.startswith(own + "/")
    return asked if below and not set(asked) & set("+#\0") else own


def gaps(first: int, there: Sequence[int], last: int) -> list[tuple[int, int]]:
    """Return what is missing from `first` to `last` beside rising numbers, each gap as its ends."""
    found = []
    for number in [*there, last + 1]:
        if number > first:
            found.append((first, number - 1))
        first = number + 1
    return found


def settled(
    owed: Sequence[Owed], answers: Sequence[str | None], now_s: float
) -> tuple[list[tuple[Owed, str]], list[Owed]]:
    """Return the answers that can be given now, and what is still owed.

    Args:
        owed: in the order they came.
        answers: what the journal says of each, `None` for nothing yet.
        now_s: on the same clock as `until_s`; after that the answer is only that it was noted.
    """
    ready: list[tuple[Owed, str]] = []
    left: list[Owed] = []
    for one, answer in zip(owed, answers, strict=True):
        if answer is not None:
            ready.append((one, answer))
        elif now_s >= one.until_s:
            ready.append((one, "noted; not carried out yet"))
        else:
            left.append(one)
    return ready, left
