"""What a report is made of, and its sentences: each honest about what nobody knows."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from monitor.records import AlarmKind, Cause, Event
from monitor.reporting.hours import Band, Day, Span, Sums, day_before, of_day, total
from monitor.reporting.incidents import Cleaning, Incident, oxygen_words, together_s
from monitor.reporting.words import Reader, lasted, listed, part_words, share_words, times

_TEMPERATURES = (AlarmKind.TEMPERATURE_HIGH, AlarmKind.TEMPERATURE_LOW)
_WHOLE = 0.995  # of a span: more than that is called all of it


class Due(msgspec.Struct, frozen=True):
    """When cleaning will be due, as of a moment: the wall clock of low, median, high; or why nobody knows."""

    as_of_utc_s: float
    low_utc_s: float | None = None
    median_utc_s: float | None = None
    high_utc_s: float | None = None
    trend: bool = False
    why_not: str = ""


class FilterPart(msgspec.Struct, frozen=True):
    """Everything that a report says of one filter comes from this.

    Attributes:
        name: for people.
        hours: its sums, from the beginning of the span.
        found: every alarm that stood in it.
        cleanings, deeds, noticed: see `incidents`.
        due: when cleaning is next due.
        band, salinity, stocking: of its tank; `None` and an empty stocking where nobody knows here.
        probe: whether there is a temperature probe.
        known_until_utc_s: where its record of the span ends; the span's begin without any.
    """

    name: str
    hours: Sequence[Sums]
    found: Sequence[Incident]
    cleanings: Sequence[Cleaning]
    deeds: Sequence[Event]
    noticed: Sequence[tuple[Cause, int, Event]]
    due: Due
    band: Band | None = Band()
    salinity: float = 0.0
    stocking: str = "normal"
    probe: bool = True
    known_until_utc_s: float = 0.0

    @property
    def stops(self) -> list[Incident]:
        """The times that flow stopped."""
        return [i for i in self.found if i.alarm is AlarmKind.FLOW_STOPPED]

    @property
    def temperatures(self) -> list[Incident]:
        """The times that the water was out of its band."""
        return [i for i in self.found if i.alarm in _TEMPERATURES]

    @property
    def others(self) -> list[Incident]:
        """The rest of the alarms."""
        return [i for i in self.found if i not in self.stops and i not in self.temperatures]


class Report(msgspec.Struct, frozen=True):
    """A whole report. `span` ends now where it would end later; `days` cover it."""

    heading: str
    site: str
    span_words: str
    made_words: str
    span: Span
    days: Sequence[Day]
    filters: Sequence[FilterPart]
    of_site: Sequence[Incident]
    simulated: bool


def sentences(part: FilterPart, span: Span, days: Sequence[Day], reader: Reader) -> list[str]:
    """Return what is to be known of one filter, in the order of what matters."""
    whole = total(part.hours)
    said = [
        _ran(whole, span),
        *_stops(part, whole, span, reader),
        *_trend(part, span, days, reader),
    ]
    said += [
        _cleaned(part, span, reader),
        due_words(part.due, reader),
        *_warmth(part, whole, reader),
    ]
    if whole.unsure_s:
        said.append(
            f"For {lasted(whole.unsure_s)} the board's clock was not set; the times of then may be wrong."
        )
    return [sentence for sentence in said if sentence]


def _ran(whole: Sums, span: Span) -> str:
    length_s = span.end_utc_s - span.start_utc_s
    if whole.known_s <= 0.0:
        return "There is no reading of this span that can be trusted: whether water moved is not known."
    unknown_s = max(0.0, length_s - whole.known_s)
    moved = "all the time"
    if whole.standing_s:
        moved = f"for {lasted(whole.running_s)} and stood for {lasted(whole.standing_s)}"
    if whole.known_s >= _WHOLE * length_s:
        return f"Water moved {moved}."
    return (
        f"Of these {lasted(length_s)} only {part_words(whole.known_s / length_s)} are covered by readings "
        f"that can be trusted. In them water moved {moved}; of "
        f"{lasted(unknown_s)} nobody knows."
    )


def _stops(part: FilterPart, whole: Sums, span: Span, reader: Reader) -> list[str]:
    stops = part.stops
    if not stops:
        return ["No stop was seen."] if whole.known_s > 0.0 else []
    both = "for" if len(stops) == 1 else "together for"
    said = f"Flow stopped {times(len(stops))}, {both} {lasted(together_s(stops, span, part.known_until_utc_s))}."
    if any(i.ended_utc_s is None and not i.lost_end for i in stops):
        said += f" It had not come back on {reader.stamp(part.known_until_utc_s)}, where the record ends."
    lengths = [i.lasted_s for i in stops if i.lasted_s is not None]
    if len(stops) > 1 and lengths:
        said += f" The longest stop lasted {lasted(max(lengths))}."
    return [said, *_oxygen(part)]


def oxygen(part: FilterPart, stop: Incident) -> str:
    """Return whether the canister ran short of oxygen in one stop: no, perhaps, likely."""
    lasted_s = stop.lasted_s
    if not part.stocking:
        return "not known"
    if lasted_s is None:
        if stop.lost_end:
            return "not known"
        lasted_s = max(0.0, part.known_until_utc_s - stop.raised_utc_s)
    return oxygen_words(lasted_s, stop.temperature_c, part.salinity, part.stocking)


def _oxygen(part: FilterPart) -> list[str]:
    answers = [oxygen(part, stop) for stop in part.stops]
    told = [
        f"{word} {times(answers.count(word))}" for word in ("likely", "perhaps") if word in answers
    ]
    if told:
        said = f"By estimate the canister's water ran short of oxygen then: {listed(told)}."
        return [f"{said} Nothing here measures oxygen."]
    if "not known" in answers:
        return []
    return ["By estimate no stop was long enough for the canister's water to run short of oxygen."]


def _trend(part: FilterPart, span: Span, days: Sequence[Day], reader: Reader) -> list[str]:
    judged = [
        (day, sums) for day in days if (sums := of_day(part.hours, span, day)).share is not None
    ]
    if not judged:
        flow = total(part.hours).running_m3_per_s
        if flow is None:
            return []
        return [
            f"The clean flow was not known yet, so there is nothing to hold the flow of {reader.flow(flow)} against."
        ]
    (first, began), (last, ended) = judged[0], judged[-1]
    if first is last:
        return [
            f"On {first.name} it ran at {share_words(began.share)} of clean ({reader.flow(began.running_m3_per_s)})."
        ]
    return [
        f"It ran at {share_words(began.share)} of clean on {first.name} ({reader.flow(began.running_m3_per_s)}) and at "
        f"{share_words(ended.share)} on {last.name} ({reader.flow(ended.running_m3_per_s)})."
    ]


def _cleaned(part: FilterPart, span: Span, reader: Reader) -> str:
    if not part.cleanings:
        return "No cleaning is on record."
    last = part.cleanings[-1]
    said = (
        f"It was cleaned {times(len(part.cleanings))}, the last time on {reader.day(last.utc_s)}."
    )
    before = before_cleaning(part, span, last)
    if last.learned_m3_per_s is None:
        return f"{said} How much that restored is not known yet: the clean flow is still being learned."
    if before is None:
        return f"{said} Clean flow since: {reader.flow(last.learned_m3_per_s)}."
    return f"{said} That brought the flow from {reader.flow(before)} to {reader.flow(last.learned_m3_per_s)}{_restored(last)}."


def _restored(cleaning: Cleaning) -> str:
    if not cleaning.clean_m3_per_s or cleaning.learned_m3_per_s is None or cleaning.renewed:
        return ""
    return f", {share_words(cleaning.learned_m3_per_s / cleaning.clean_m3_per_s)} of the clean flow before"


def before_cleaning(part: FilterPart, span: Span, cleaning: Cleaning) -> float | None:
    """Return the flow with water moving in the 24 whole hours before a cleaning, `None` if not known."""
    return day_before(part.hours, span, cleaning.utc_s).running_m3_per_s


def due_words(due: Due, reader: Reader) -> str:
    """Return when cleaning is next due, with its range."""
    if due.median_utc_s is None or due.low_utc_s is None or due.high_utc_s is None:
        return f"When cleaning is next due cannot be said: {due.why_not}." if due.why_not else ""
    as_of = f" (as of {reader.stamp(due.as_of_utc_s)})"
    if due.median_utc_s <= due.as_of_utc_s:
        return f"Cleaning is due now{as_of}."
    how = "" if due.trend else ", as past cycles went: the flow shows no trend yet"
    return (
        f"Cleaning is next due about {reader.day(due.median_utc_s)}, between {reader.day(due.low_utc_s)} and "
        f"{reader.day(due.high_utc_s)}{how}{as_of}."
    )


def _warmth(part: FilterPart, whole: Sums, reader: Reader) -> list[str]:
    if not part.probe:
        return ["No temperature probe is fitted."]
    if whole.coldest_c is None or whole.warmest_c is None:
        return ["There is no trustworthy temperature of this span."]
    said = f"While it moved, the water had {reader.warm(whole.coldest_c)} to {reader.warm(whole.warmest_c)}"
    found = part.temperatures
    alarms = f"the alarm stood {times(len(found))}" if found else "no alarm"
    band = part.band
    if band is None:
        return [f"{said}; {alarms}."]
    if band.min_c is None and band.max_c is None:
        return [f"{said}; no band is set for it."]
    low = reader.warm(band.min_c) if band.min_c is not None else "any"
    high = reader.warm(band.max_c) if band.max_c is not None else "any"
    inside = part_words(whole.in_band_s / whole.warm_s)
    return [f"{said}, {inside} of the time within its band of {low} to {high}; {alarms}."]
