"""What the people of the business are told: the notes of a site, put into one message. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec

from monitor.fleet.messages import Happened, utc_s

_DAY_S = 86400.0
_RANK = {"high": 0, "medium": 1, "low": 2}
_POWER = "power-gone"
# More nobody reads on a phone; a site that comes back after a month may have many.
_MOST_LINES = 20
TOLD_WITHIN_S = 45 * _DAY_S
"""What is older is on record and not told: a site that joins brings the events of years."""


class Note(msgspec.Struct, frozen=True):
    """One thing to tell: `id` is the same whenever it is the same thing."""

    id: str
    site: str
    filter_id: str
    what: str
    event: str
    priority: str
    time: str
    words: str
    advice: str
    consequence: str = ""
    simulated: bool = False


class Notice(msgspec.Struct, frozen=True):
    """One message about one site, and the notes that are in it."""

    site: str
    title: str
    body: str
    priority: str
    notes: tuple[Note, ...]


def note_of(text: str) -> Note:
    """Return the note that stands in the stream: an event of a site, or a word of the hub's own.

    Raises:
        msgspec.DecodeError: it is neither.
    """
    try:
        event = msgspec.json.decode(text, type=Happened)
    except msgspec.ValidationError:
        return msgspec.json.decode(text, type=Note)
    return Note(
        event.id,
        event.site,
        event.filter or "",
        event.alarm or "",
        event.event,
        event.priority or "low",
        event.time,
        event.evidence,
        event.advice,
        event.consequence,
        event.simulated,
    )


def notices(
    notes: Sequence[Note], names: Mapping[str, str], now_utc_s: float, again: frozenset[str]
) -> list[Notice]:
    """Put the notes of each site into one message, the most urgent site first.

    Args:
        notes: what is to be told, in the order in which it came.
        names: what people call the sites.
        now_utc_s: the hub's clock.
        again: ids of notes that may have been told before their teller died.
    """
    by_site: dict[str, list[Note]] = {}
    for note in notes:
        by_site.setdefault(note.site, []).append(note)
    made = [_notice(site, of, names, now_utc_s, again) for site, of in by_site.items()]
    return sorted(made, key=lambda n: _RANK.get(n.priority, 2))


def _notice(
    site: str,
    notes: Sequence[Note],
    names: Mapping[str, str],
    now_utc_s: float,
    again: frozenset[str],
) -> Notice:
    notes = sorted(notes, key=lambda n: (n.event == "cleared", _RANK.get(n.priority, 2), n.time))
    standing = [n for n in notes if n.event != "cleared"]
    priority = min((n.priority for n in standing), key=lambda p: _RANK.get(p, 2), default="low")
    lead = next((n for n in standing if n.what == _POWER), notes[0])
    rest = len(notes) - 1
    more = f" and {rest} more" if rest else ""
    simulated = "[simulated] " if any(n.simulated for n in notes) else ""
    title = f"{simulated}{names.get(site) or site}: {_headline(lead)}{more}"
    lines = [_line(note, now_utc_s, note.id in again) for note in notes[:_MOST_LINES]]
    if len(notes) > _MOST_LINES:
        lines.append(
            f"… and {len(notes) - _MOST_LINES} more; `canister hub show {site}` tells how it is now"
        )
    return Notice(site, title, "\n".join(lines), priority, tuple(notes))


def _headline(note: Note) -> str:
    what = note.what.replace("-", " ")
    of = f"{note.filter_id} " if note.filter_id else ""
    return f"{of}{what}{' is over' if note.event == 'cleared' else ''}"


def _line(note: Note, now_utc_s: float, again: bool) -> str:
    when = note.time[:16].replace("T", " ")
    age_s = now_utc_s - utc_s(note.time)
    late = f", {age_s / _DAY_S:.0f} days ago, told only now" if age_s > _DAY_S else ""
    parts = [f"{_headline(note)} ({note.priority}, {when} UTC{late})"]
    if note.words:
        parts.append(note.words)
    if note.event != "cleared":
        parts += [p for p in (note.advice, note.consequence) if p]
    if again:
        parts.append("perhaps told before")
    return ". ".join(p.rstrip(".") for p in parts) + "."
