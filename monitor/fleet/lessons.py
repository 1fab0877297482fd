"""What a fleet teaches: days from cleaning to cleaning, and to the limit, by media and stock. Pure.

A run is one filter from one cleaning to the next, or until now. What still runs has lasted at least so
long; leaving it out would make filters look shorter-lived than they are, as the long ones are those that
still run. So the share that lasts longer than t is the Kaplan–Meier estimate [1], its error Greenwood's
[2], the bounds of the median are where the log-log bounds of the curve cross one half [3].

Two questions, and the difference matters. *Cleanings* is what is done: if we clean early, it is short. *Limit*
is what the filters can do: a run that was cleaned before its limit has only lasted at least so long. Since
filters are cleaned early where a forecast says so, those would have been due soon; the estimate takes them
for filters like all others and comes out somewhat long. Cycles of one filter are alike: few filters teach
little, however many their cycles, and `Lesson.sure` says so.

Sources:
    [1] Kaplan and Meier, Journal of the American Statistical Association 53 (1958) 457.
    [2] Greenwood, Reports on Public Health and Medical Subjects 33 (1926), as in Kalbfleisch and Prentice,
        The Statistical Analysis of Failure Time Data, 2nd edition (2002), 1.4.
    [3] Brookmeyer and Crowley, Biometrics 38 (1982) 29, with the log-log bounds of [2].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum

import msgspec

_NORMAL_975 = 1.959963984540054  # the standard normal's quantile of 0.975
_DAY_S = 86400.0
# How many ended runs, at how many filters, make a figure fair or good; a convention of ours, no source.
_FEW, _FAIR, _GOOD = 5, 10, 30
_FEW_FILTERS, _GOOD_FILTERS = 3, 10


class Question(StrEnum):
    """What is asked of the runs."""

    CLEANINGS = "cleanings"  # days from one cleaning to the next
    LIMIT = "limit"  # days from a cleaning until the limit is passed


class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is on record of one filter.

    Args:
        site, filter: which one.
        media: name of its media stack, such as that of its set-up card; empty if not known.
        stock: its class of stocking, such as light, normal, heavy; empty if not known.
        cleaned_utc_s: when it was cleaned, oldest first.
        limit_utc_s: when it passed its limit, oldest first.
        known_until_utc_s: until when this is known: when it was heard last.
    """

    site: str
    filter: str
    cleaned_utc_s: tuple[float, ...]
    known_until_utc_s: float
    media: str = ""
    stock: str = ""
    limit_utc_s: tuple[float, ...] = ()


class Run(msgspec.Struct, frozen=True):
    """One filter from a cleaning on: days until what is asked for happened, or until when it had not."""

    name: str
    media: str
    stock: str
    days: float
    ended: bool


class Step(msgspec.Struct, frozen=True):
    """Where a curve falls: after so many days this share is left; bounds of 95 %.

    `low` and `high` are `None` where the share is 0, of which the log-log bounds say nothing.
    """

    days: float
    at_risk: int
    ended: int
    share: float
    low: float | None
    high: float | None


class Lesson(msgspec.Struct, frozen=True):
    """What runs of one kind teach.

    Args:
        media, stock: of which kind; an empty `stock` is all of the media, both empty all.
        question: what was asked.
        median_days: half of the runs last longer; `None` where more than half still run.
        low_days, high_days: 80 % of the runs end between them; `None` where not seen yet.
        median_low_days, median_high_days: bounds of 95 % of the median.
        ended, running, filters: runs that ended, runs that have not, and at how many filters.
        sure: how sure it is, in words.
    """

    media: str
    stock: str
    question: Question
    median_days: float | None
    low_days: float | None
    high_days: float | None
    median_low_days: float | None
    median_high_days: float | None
    ended: int
    running: int
    filters: int
    sure: str


def runs(record: Record, question: Question) -> list[Run]:
    """Return the runs of a filter; what was before its first known cleaning has no beginning and is left out."""
    cleaned = sorted(t for t in record.cleaned_utc_s if t <= record.known_until_utc_s)
    name = f"{record.site}/{record.filter}"
    found = []
    for at, start in enumerate(cleaned):
        last = at == len(cleaned) - 1
        end, ended = (record.known_until_utc_s, False) if last else (cleaned[at + 1], True)
        if question is Question.LIMIT:
            passed = [t for t in record.limit_utc_s if start < t <= end]
            ended = bool(passed)
            end = min(passed) if passed else end
        if end > start:
            days = (end - start) / _DAY_S
            found.append(Run(name, record.media, record.stock, days, ended))
    return found


def curve(of: Sequence[Run]) -> list[Step]:
    """Return the Kaplan–Meier curve, a step for each day on which a run ended."""
    found: list[Step] = []
    share, spread = 1.0, 0.0
    for days in sorted({r.days for r in of if r.ended}):
        # What was only seen until this day still stood on it.
        at_risk = sum(r.days >= days for r in of)
        ended = sum(r.ended and r.days == days for r in of)
        share *= 1.0 - ended / at_risk
        if ended == at_risk:
            found.append(Step(days, at_risk, ended, 0.0, None, None))
            break
        spread += ended / (at_risk * (at_risk - ended))
        wide = _NORMAL_975 * math.sqrt(spread) / -math.log(share)
        low, high = share ** math.exp(wide), share ** math.exp(-wide)
        found.append(Step(days, at_risk, ended, share, low, high))
    return found


def lasting(steps: Sequence[Step], share: float) -> float | None:
    """Return after how many days no more than a share is left, `None` if more still is."""
    return next((s.days for s in steps if s.share <= share + 1e-12), None)


def lessons(records: Sequence[Record], question: Question) -> list[Lesson]:
    """Return what all filters teach, then each media stack, then each with its stock; the largest first."""
    groups: dict[tuple[str, str], list[Run]] = {}
    for record in records:
        found = runs(record, question)
        for key in {("", ""), (record.media, ""), (record.media, record.stock)}:
            groups.setdefault(key, []).extend(found)
    order = sorted(groups, key=lambda k: (k[0] != "", k[0], k[1] != "", -len(groups[k]), k[1]))
    return [
        lesson(media, stock, question, groups[media, stock])
        for media, stock in order
        if groups[media, stock]
    ]


def lesson(media: str, stock: str, question: Question, of: Sequence[Run]) -> Lesson:
    """Return what runs of one kind teach."""
    steps = curve(of)
    ended = sum(r.ended for r in of)
    filters = len({r.name for r in of})
    median = lasting(steps, 0.5)
    low = next((s.days for s in steps if (0.0 if s.low is None else s.low) <= 0.5), None)
    high = next((s.days for s in steps if s.high is not None and s.high <= 0.5), None)
    return Lesson(
        media, stock, question, median, lasting(steps, 0.9), lasting(steps, 0.1),
        low if median is not None else None, high if median is not None else None,
        ended, len(of) - ended, filters, _sure(ended, filters, len(of)),
    )  # fmt: skip


def _sure(ended: int, filters: int, of: int) -> str:
    if ended == 0:
        return f"nothing yet: none of {_number(of, 'run')} has ended"
    seen = f"{_number(ended, 'run')} at {_number(filters, 'filter')}"
    if ended < _FEW or filters < _FEW_FILTERS:
        return f"hardly: only {seen}"
    if ended < _FAIR:
        return f"roughly: {seen}"
    return f"{'well' if ended >= _GOOD and filters >= _GOOD_FILTERS else 'fairly'}: {seen}"


def _number(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def words(of: Lesson) -> str:
    """Return a lesson as a sentence."""
    what = "cleaned every" if of.question is Question.CLEANINGS else "at the limit after"
    if of.median_days is None:
        return f"more than half still run; {of.sure}"
    text = f"{what} {of.median_days:.0f} days in the middle"
    if of.low_days is not None and of.high_days is not None:
        text += f", 80 % between {of.low_days:.0f} and {of.high_days:.0f}"
    elif of.low_days is not None:
        text += f", one in ten by {of.low_days:.0f}; the longest still run"
    if of.median_low_days is not None and of.median_high_days is not None:
        text += f" (the middle lies between {of.median_low_days:.0f} and {of.median_high_days:.0f})"
    if of.running:
        text += f"; {_number(of.running, 'run')} not over"
    return f"{text}; known {of.sure}"
