"""Set-up cards: what was learned about a kind of filter, kept for the next tank.

A card is a small TOML file of our own. A filter that names one (`filters.X.card`) takes pump,
canister and media from it wherever its own tables say nothing.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from monitor.errors import SettingsError
from monitor.settings.base import Id, Section, key
from monitor.settings.description import CanisterSettings, MediaSettings, PumpSettings
from monitor.settings.figure import Figure
from monitor.settings.problems import explain

LENT = ("pump", "canister", "media")
"""The tables that a card lends to a filter."""


class TraySettings(Section):
    """Inner size of one tray."""

    width_mm: float = key("Width", "mm", gt=0, le=2000)
    length_mm: float = key("Length", "mm", gt=0, le=2000)
    height_mm: float = key("Height", "mm", gt=0, le=2000)


class LearnedSettings(Section):
    """What practice has shown."""

    media_kg: float | None = key("Media that really fit, dry", "kg", default=None, gt=0, le=500)
    full_kg: float | None = key("Weight of the full canister", "kg", default=None, gt=0, le=1000)
    clean_flow_l_per_h: float | None = key(
        "Measured clean flow", "L/h", default=None, gt=0, le=100000
    )
    days_between_cleanings: float | None = key(
        "Typical days between cleanings", "days", default=None, gt=0, le=3650
    )
    cleanings_seen: int = key("How many cycles that comes from", default=0, ge=0, le=10000)


class ExperienceSettings(Section):
    """What a fleet's cleanings teach of filters with this card's media and one class of stock."""

    median_days: float = key("Half of them last longer", "days", gt=0, le=3650)
    low_days: float | None = key("One in ten lasts no longer", "days", default=None, gt=0, le=3650)
    high_days: float | None = key("Nine in ten last no longer", "days", default=None, gt=0, le=3650)
    ended: int = key("Runs that this comes from", ge=1, le=10_000_000)
    running: int = key("Runs that are not over", default=0, ge=0, le=10_000_000)
    filters: int = key("Filters that they were seen at", ge=1, le=10_000_000)
    sure: str = key("How sure that is", min_length=1, max_length=120)
    written: date = key("When this was written")


class CardSettings(Section):
    """One card, whole."""

    kind: str = key("The kind of filter, in plain words, no brand", min_length=1, max_length=120)
    source: str = key("Where the figures come from", min_length=1, max_length=200)
    invented: bool = key("True for an example that is not a real filter", default=False)
    written: date | None = key("When the card was written", default=None)
    trays: dict[Id, TraySettings] = Field(default_factory=dict)
    learned: LearnedSettings = Field(default_factory=LearnedSettings)
    experience: dict[Id, ExperienceSettings] = Field(default_factory=dict)
    pump: PumpSettings | None = None
    canister: CanisterSettings = Field(default_factory=CanisterSettings)
    media: dict[Id, MediaSettings] = Field(default_factory=dict)


def read_raw(file: Path) -> dict[str, Any]:
    """Return the tables of a card file, unchecked.

    Raises:
        SettingsError: the file cannot be read or is not TOML.
    """
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([f"{file}: not valid TOML: {error}; mend that line"]) from error
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise SettingsError([f"{file}: cannot be read: {reason}; name a card file"]) from error


def read_card(file: Path) -> CardSettings:
    """Return a checked card.

    Raises:
        SettingsError: with a line for each problem.
    """
    try:
        return CardSettings.model_validate(read_raw(file))
    except ValidationError as error:
        found = [
            explain(dict(e), lambda _: str(file), CardSettings)
            for e in error.errors(include_url=False)
        ]
        raise SettingsError(found) from error


def experience_words(card: CardSettings, stock: str) -> str | None:
    """Return what a fleet knows of filters with a card's media and a class of stock, `None` for nothing.

    Args:
        card: the card.
        stock: light, normal or heavy; where nothing is known of it, what is known of all serves.
    """
    name = stock if stock in card.experience else "all"
    found = card.experience.get(name)
    if found is None:
        return None
    of = "any stock" if name == "all" else f"{name} stock"
    text = f"with {of} cleaned every {found.median_days:g} days in the middle"
    if found.low_days is not None and found.high_days is not None:
        text += f", 80 % between {found.low_days:g} and {found.high_days:g}"
    return f"{text}; known {found.sure} (fleet, {found.written.isoformat()})"


def lend(card: Mapping[str, Any], settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return a filter's raw tables with those of a card beneath them.

    Media are lent whole or not at all: half of another stack would be neither.
    """
    whole = dict(settings)
    for name in LENT:
        lent, own = card.get(name), settings.get(name)
        if lent is None:
            continue
        if own is None or (name == "media" and not own):
            whole[name] = lent
        elif name != "media" and isinstance(lent, Mapping) and isinstance(own, Mapping):
            whole[name] = {**lent, **own}
    own_pump = settings.get("pump")
    if isinstance(own_pump, Mapping) and isinstance(whole.get("pump"), Mapping):
        whole["pump"] = _one_description(whole["pump"], own_pump)
    return whole


def _one_description(pump: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """The user's own points replace a card's two figures, and the other way round."""
    box = ("rated_flow_l_per_h", "max_head_m")
    if "points" in own:
        return {k: v for k, v in pump.items() if k not in box or k in own}
    if any(k in own for k in box):
        return {k: v for k, v in pump.items() if k != "points"}
    return dict(pump)


def card_text(card: CardSettings) -> str:
    """Return a card as TOML, only what it says."""
    lines = ["# Set-up card of canister-monitor: what was learned about a kind of filter.", ""]
    lines += _table("", card)
    return "\n".join(lines) + "\n"


def _table(path: str, section: Section) -> list[str]:
    lines, below = [], []
    for name in type(section).model_fields:
        value = getattr(section, name)
        deeper = f"{path}.{name}" if path else name
        if isinstance(value, Section):
            below += _table(deeper, value)
        elif isinstance(value, dict):
            for key_name, inner in value.items():
                below += _table(f"{deeper}.{key_name}", inner)
        elif value is not None and value != type(section).model_fields[name].default:
            lines.append(f"{name} = {_toml(value)}")
    heading = [f"[{path}]"] if path and lines else []
    gap = [""] if lines else []
    return [*heading, *lines, *gap, *below]


def _toml(value: Any) -> str:
    if isinstance(value, Figure):
        value = _in_order(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str):
        return json.dumps(str(value), ensure_ascii=False)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    return repr(value)


def _in_order(figure: Figure) -> float | list[float]:
    """A figure as a person writes it: a number, or low, likely, high."""
    return [figure.low, figure.value, figure.high] if figure.ranged else figure.value


def card_fields(section: Section) -> dict[str, Any]:
    """Return a card, or one of its tables, as plain values for JSON, only what it says."""
    found: dict[str, Any] = {}
    for name in type(section).model_fields:
        value = getattr(section, name)
        if isinstance(value, Section):
            value = card_fields(value)
        elif isinstance(value, dict):
            value = {key_name: card_fields(inner) for key_name, inner in value.items()}
        elif isinstance(value, Figure):
            value = _in_order(value)
        if value is not None and value != {}:
            found[name] = value
    return found
