"""One sitting of the walk: who is asked, what is measured with, what is known so far."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Protocol

from monitor.app.commission.bench import Bench
from monitor.app.commission.shown import Shown
from monitor.app.commission.verdicts import Judged, Sensor
from monitor.app.commission.walk import Walk
from monitor.settings.model import SettingsTree


class Left(Exception):
    """The person leaves; everything up to the last step is kept."""


class Talk(Protocol):
    """The person: hears and answers."""

    def say(self, text: str = "") -> None:
        """Say a line."""

    def ask(self, question: str, default: str = "") -> str:
        """Ask, and return what was answered, `default` for nothing."""


@dataclass
class Session:
    """What every step works with."""

    tree: SettingsTree
    file: Path
    folder: Path
    walk: Walk
    bench: Bench
    talk: Talk
    today: date
    stamp: str

    @property
    def shown(self) -> Shown:
        """How this person reads figures."""
        return Shown(self.tree.site.units == "us")

    def ask(self, question: str, default: str = "") -> str:
        """Return an answer.

        Raises:
            Left: the answer was q.
        """
        answer = self.talk.ask(question, default).strip()
        if answer.lower() in ("q", "quit"):
            raise Left
        return answer

    def yes(self, question: str, default: bool) -> bool:
        """Return whether the answer was yes."""
        while True:
            answer = self.ask(f"{question} (y/n)", "y" if default else "n").lower()
            if answer in ("y", "yes", "n", "no"):
                return answer[0] == "y"
            self.talk.say("Please answer y or n; q leaves.")

    def number(
        self, question: str, low: float, high: float, default: float | None = None
    ) -> float | None:
        """Return a number from `low` to `high`; an answer of `none` is `None`."""
        shown = "none" if default is None else f"{default:g}"
        while True:
            answer = self.ask(question, shown).lower()
            if answer == "none":
                return None
            value = _number(answer)
            if value is not None and low <= value <= high:
                return value
            self.talk.say(f"{answer}: expected a number from {low:g} to {high:g}; q leaves.")

    def sure_number(self, question: str, low: float, high: float, default: float) -> float:
        """Return a number from `low` to `high`; it cannot be none."""
        while (value := self.number(question, low, high, default)) is None:
            self.talk.say(f"none: expected a number from {low:g} to {high:g}; q leaves.")
        return value

    def day(self, question: str, default: str) -> date | None:
        """Return a day; `none` is `None`, `today` is today."""
        while True:
            answer = self.ask(f"{question} (YYYY-MM-DD, today, none)", default).lower()
            if answer == "none":
                return None
            if answer == "today":
                return self.today
            try:
                return date.fromisoformat(answer)
            except ValueError:
                self.talk.say(f"{answer}: expected a day such as {self.today}; q leaves.")

    def believed(self, dotted: str, configured: Any) -> Any:
        """Return the newest value of a key: what this walk found, else what is configured."""
        return self.walk.changes().get(dotted, configured)

    def sensor(self, name: str) -> Sensor:
        """Return a filter's flow sensor as it is believed to be now."""
        settings = self.tree.filters[name].flow_sensor
        at = f"filters.{name}.flow_sensor"
        return Sensor(
            self.believed(f"{at}.pulses_per_litre", settings.pulses_per_litre),
            settings.offset_hz,
            settings.min_flow_l_per_h,
            settings.max_flow_l_per_h,
            self.believed(f"{at}.error_percent", settings.error_percent) / 100,
        )


@dataclass(frozen=True)
class Step:
    """One step: its id, for whom, what to do in short sentences, and how it is measured or asked."""

    id: str
    title: str
    todo: tuple[str, ...]
    act: Callable[[Session], Judged]


def _number(text: str) -> float | None:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None
