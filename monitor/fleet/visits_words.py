"""The work list in words: why a site is visited, what to bring, what postponing risks, days by name. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.fleet.messages import utc_s
from monitor.fleet.visits import Calendar, FilterNeed, FilterRisk, LeftOut, Visit
from monitor.fleet.visits_chance import Basis

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
_LITTLE = 0.10  # a chance below this alone would not bring people there
_OLD_DAYS = 2.0  # a forecast from before then is told to be old


def day_number(date: str) -> int:
    """Return the days from 1970-01-01 to a date such as `2026-03-03`."""
    return round(utc_s(f"{date}T00:00:00.000Z") / 86400.0)


def day_after(date: str, days: int) -> str:
    """Return the date so many days after another, in the proleptic Gregorian calendar."""
    # Counted from 1 March of year 0, so that a leap day is the last of its year; 146097 days are 400 years.
    number = day_number(date) + days + 719468
    era, of_era = divmod(number, 146097)
    year = (of_era - of_era // 1460 + of_era // 36524 - of_era // 146096) // 365
    of_year = of_era - (365 * year + year // 4 - year // 100)
    month = (5 * of_year + 2) // 153
    day = of_year - (153 * month + 2) // 5 + 1
    civil = month + 3 if month < 10 else month - 9
    return f"{year + era * 400 + (civil <= 2):04d}-{civil:02d}-{day:02d}"


def day_words(date: str) -> str:
    """Return a date for people, such as `Tuesday 3 March`."""
    weekday = _WEEKDAYS[(day_number(date) + 3) % 7]
    return f"{weekday} {int(date[8:])} {_MONTHS[int(date[5:7]) - 1]}"


def percent(chance: float) -> str:
    """Return a chance for people; nothing is certain or impossible in a forecast."""
    if 0.0 < chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def span(hours: float) -> str:
    """Return a time in hours as people say it."""
    if hours < 1.5:
        return f"{hours * 60:.0f} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"


def why(need: FilterNeed, basis: Basis, chance: float, until: str, cycle_days: float) -> str:
    """Return in words what a filter risks.

    Args:
        need: the filter.
        basis: what its chances come from.
        chance: of being past its limit on the day `until`.
        until: a date.
        cycle_days: of filters of which nothing is known.
    """
    name = need.filter
    if need.stopped_hours is not None:
        words = f"{name} has stood still for {span(need.stopped_hours)}"
        if need.oxygen_hours is not None:
            soonest, latest = need.oxygen_hours
            words += (
                f"; its water is short of oxygen {span(soonest)} to {span(latest)} after a stop"
            )
        return words
    if need.past_days is not None:
        share = (
            f", at {100 * need.share_of_clean:.0f} % of clean flow" if need.share_of_clean else ""
        )
        since = f" since {span(24 * need.past_days)}" if need.past_days > 0 else ""
        return f"{name} is past its limit{since}{share}"
    words = f"{percent(chance)} chance that {name} passes its limit before {day_words(until)}"
    words += {
        Basis.CYCLES: ", by its past cycles: its flow shows no trend yet",
        Basis.USUAL: f", by a usual cycle of {need.usual_days or cycle_days:.0f} days: no forecast yet",
        Basis.FLAT: f", a guess: no forecast, taken for one cleaning in {need.usual_days or cycle_days:.0f} "
        "days at any time",
    }.get(basis, "")
    if need.age_days >= _OLD_DAYS and basis in (Basis.TREND, Basis.CYCLES):
        words += f" (the forecast is {need.age_days:.0f} days old)"
    return words


def early(chance: float, gives_away_days: float) -> str:
    """Return in words that a filter is cleaned before there is need, empty if there is."""
    if chance >= _LITTLE or gives_away_days < 1.0:
        return ""
    return f"; done while people are near, about {gives_away_days:.0f} days before its limit"


def postponing(risks: Sequence[FilterRisk], until: str) -> str:
    """Return in words what it risks to leave a visit until another day."""
    still = [r.filter for r in risks if r.stopped_hours is not None]
    if still:
        return f"left until {day_words(until)}: {', '.join(still)} would stand still all that time"
    if all(r.chance_postponed < 0.005 for r in risks):
        return f"left until {day_words(until)}: hardly a risk, but the way would be made twice"
    worst = max(risks, key=lambda r: (r.clean, r.past_days_postponed))
    return (
        f"left until {day_words(until)}: {percent(worst.chance_postponed)} that {worst.filter} is past its "
        f"limit by then, {worst.past_days_postponed:.1f} more days past it expected"
    )


def gathered(words: Sequence[str]) -> tuple[str, ...]:
    """Return what is to be brought, each thing once with its number."""
    return tuple(f"{words.count(w)} × {w}" for w in sorted(set(words)))


def said(
    needs: Sequence[FilterNeed], calendar: Calendar, visits: Sequence[Visit],
    left: Sequence[LeftOut], bases: Sequence[Basis],
) -> tuple[str, ...]:  # fmt: skip
    """Return what people ought to know of a plan as a whole."""
    if not needs:
        return ("there is no filter to look at yet",)
    found = []
    if not calendar.days:
        found.append("nobody drives in this time")
    still = [x.site for x in left if any(f.stopped_hours is not None for f in x.filters)]
    if still:
        found.append(
            f"no room for {_some(still)} though a filter there stands still: see to it outside this plan"
        )
    short = sum(x.short for x in left) - len(still)
    if short:
        found.append(
            f"more is due than there is time for: {short} sites are left out that are worth a visit"
        )
    if not visits and not left:
        found.append("nothing is worth a visit in this time")
    flat = sum(
        b is Basis.FLAT and n.stopped_hours is None for b, n in zip(bases, needs, strict=True)
    )
    if flat:
        found.append(
            f"of {flat} of {len(needs)} filters there is no forecast: their chances are a guess"
        )
    old = sum(n.age_days >= _OLD_DAYS for n in needs)
    if old:
        found.append(
            f"the forecasts of {old} filters are two days old or older: are their sites heard?"
        )
    return tuple(found)


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:5])
    return shown if len(names) <= 5 else f"{shown} and {len(names) - 5} more"
