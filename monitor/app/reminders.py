"""What is to be done by date: lamp, carbon, seals, and a lamp that is to stay off on a new tank."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterator
from datetime import date, timedelta

import msgspec

from monitor.settings.model import FilterSettings, SettingsTree

# Media that give back what they held; a test holds the names to those of the sizing model.
CARBON = frozenset({"granular carbon"})
_CARBON_DAYS = 30  # common practice, no source
_SOON_DAYS = 14
_LONGEST_DAYS = 36500


class Reminder(msgspec.Struct, frozen=True):
    """One thing to do for a filter; `until` tells something that ends then from one that is due."""

    filter_id: str
    what: str
    day: date
    until: bool = False

    def words(self, today: date) -> str:
        """Return it as a person would say it."""
        if self.until:
            return f"{self.filter_id}: {self.what} until {self.day}"
        left = (self.day - today).days
        when = "today" if left == 0 else f"in {left} days" if left > 0 else f"{-left} days ago"
        return f"{self.filter_id}: {self.what}, due {self.day} ({when})"


def reminders(tree: SettingsTree) -> tuple[Reminder, ...]:
    """Return everything that has a date, the soonest first."""
    found = [r for name, one in tree.filters.items() for r in _of_filter(name, one, tree)]
    return tuple(sorted(found, key=lambda r: (r.day, r.filter_id, r.what)))


def near(tree: SettingsTree, today: date) -> tuple[Reminder, ...]:
    """Return what is due within two weeks or was, and what holds today."""
    return tuple(
        r
        for r in reminders(tree)
        if (today < r.day if r.until else (r.day - today).days <= _SOON_DAYS)
    )


def _of_filter(name: str, settings: FilterSettings, tree: SettingsTree) -> Iterator[Reminder]:
    asked = settings.reminders
    if asked.uv_lamp_off_until is not None:
        yield Reminder(name, "leave the UV lamp off", asked.uv_lamp_off_until, True)
    if asked.uv_lamp_fitted is not None:
        # A lamp that stays off at first does not age meanwhile.
        lit = max(asked.uv_lamp_fitted, asked.uv_lamp_off_until or asked.uv_lamp_fitted)
        yield Reminder(name, "a new UV lamp", _after(lit, asked.uv_lamp_hours // 24))
    if asked.carbon_fitted is not None:
        yield Reminder(name, "take out or replace the carbon",
                       _after(asked.carbon_fitted, asked.carbon_days))  # fmt: skip
    for layer, media in settings.media.items():
        own = tree.materials.get(media.material)
        chemical = own.role == "chemical" if own is not None else media.material in CARBON
        days = media.replace_after_days or (_CARBON_DAYS if chemical else None)
        if media.fitted is not None and days is not None:
            yield Reminder(name, f"replace {layer} ({media.material})", _after(media.fitted, days))
    if asked.seals_checked is not None:
        yield Reminder(name, "look at the seals and grease them",
                       months_after(asked.seals_checked, asked.seals_every_months))  # fmt: skip


def _after(day: date, days: int) -> date:
    return day + timedelta(days=min(days, _LONGEST_DAYS, (date.max - day).days))


def months_after(day: date, months: int) -> date:
    """Return the same day so many months later, or the last of that month where it has no such day."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    if year > date.max.year:
        return date.max
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))
