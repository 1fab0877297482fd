"""What a business knows by itself: clients, people, sites, what stands in a filter. Pure values."""

from __future__ import annotations

from enum import StrEnum

import msgspec


class Role(StrEnum):
    """What a person is to the business."""

    OWNER = "owner"
    TECHNICIAN = "technician"
    CLIENT = "client"


class Standing(StrEnum):
    """Whether a site may log in at the broker."""

    ENROLLED = "enrolled"
    REVOKED = "revoked"


class Consequence(StrEnum):
    """How bad a stop is for what lives in the tank, as the business judges it."""

    LOW = "low"
    NORMAL = "normal"
    HIGH = "high"


class Client(msgspec.Struct, frozen=True):
    """Somebody whose tanks the business looks after; `contact` is free text."""

    id: str
    name: str
    contact: str = ""


class Person(msgspec.Struct, frozen=True):
    """Somebody who may look at the board page; `client` is whose sites a person of that role sees."""

    id: str
    name: str
    role: Role
    client: str | None = None
    has_password: bool = False


class Site(msgspec.Struct, frozen=True):
    """A place with one board. Times are UTC, seconds; `place` is what visits are grouped by."""

    id: str
    client: str
    name: str
    place: str
    standing: Standing
    enrolled_utc_s: float
    revoked_utc_s: float | None = None


class FilterFacts(msgspec.Struct, frozen=True):
    """What a work list must know of a filter and no sensor tells.

    Args:
        site, filter: which one.
        media_card: name of the set-up card of its media stack, empty for none.
        pads: sizes of its pads, for people.
        bring: what else to bring.
        lamp_installed: the day its lamp was new, ISO 8601, empty for no lamp.
        lamp_rated_h: hours of light after which the lamp is to be changed; `None` for no lamp.
        consequence: of a stop.
        note: for people, such as what lives there.
    """

    site: str
    filter: str
    media_card: str = ""
    pads: str = ""
    bring: str = ""
    lamp_installed: str = ""
    lamp_rated_h: float | None = None
    consequence: Consequence = Consequence.NORMAL
    note: str = ""


class Assignment(msgspec.Struct, frozen=True):
    """Who looks after an alarm; `alarm` is the alarm's own id, such as site/filter/kind/occurrence."""

    alarm: str
    person: str
    by: str
    utc_s: float


class Deed(msgspec.Struct, frozen=True):
    """One line of the audit trail: who did what to what, and when."""

    number: int
    utc_s: float
    who: str
    did: str
    subject: str
    detail: str = ""
