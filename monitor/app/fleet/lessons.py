"""Reads records of cleanings, and puts what they teach into a set-up card."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from monitor.app.fleet.jsonlines import read_lines
from monitor.errors import MachineError, SettingsError, UserMistake
from monitor.fleet.lessons import Lesson, Record


def records_of(file: Path) -> list[Record]:
    """Return the records of a file of JSON lines.

    Raises:
        UserMistake: it cannot be read, or a line is not as described.
    """
    return read_lines(
        file, Record, _fault, "one JSON object a line with site, filter, cleaned_utc_s, known_until_utc_s"
    )  # fmt: skip


def _fault(record: Record) -> str | None:
    for name in ("cleaned_utc_s", "limit_utc_s"):
        times = getattr(record, name)
        if list(times) != sorted(times) or not all(0 <= t < 1e11 for t in times):
            return f"{name}: expected seconds since 1970-01-01 UTC, oldest first"
    if not math.isfinite(record.known_until_utc_s):
        return "known_until_utc_s: expected seconds since 1970-01-01 UTC"
    return None


def noted(card: Path, lessons: Sequence[Lesson], today: date) -> list[str]:
    """Put lessons of one media stack into a card; comments and all else stay. Return the stocks written.

    Args:
        card: a set-up card.
        lessons: of one media stack, one for each stock and one for all.
        today: the day that is written.

    Raises:
        SettingsError: the card cannot be read, or would be wrong.
        UserMistake: there is nothing to write.
        MachineError: the card cannot be written.
    """
    from monitor.settings.card import read_card
    from monitor.settings.edit import edited

    read_card(card)
    changes: dict[str, Any] = {}
    stocks = []
    for one in lessons:
        if one.median_days is None:
            continue
        stock = one.stock or "all"
        stocks.append(stock)
        fields = {
            "median_days": round(one.median_days, 1), "low_days": _rounded(one.low_days),
            "high_days": _rounded(one.high_days), "ended": one.ended, "running": one.running,
            "filters": one.filters, "sure": one.sure, "written": today,
        }  # fmt: skip
        changes |= {f"experience.{stock}.{k}": v for k, v in fields.items()}
    if not stocks:
        raise UserMistake(f"{card}: nothing is written: no kind of filter has a middle yet")
    _replace_checked(card, edited(card.read_text(encoding="utf-8"), changes))
    return stocks


def _rounded(days: float | None) -> float | None:
    return None if days is None else round(days, 1)


def _replace_checked(card: Path, text: str) -> None:
    from monitor.settings.card import read_card

    fresh = card.with_name(card.name + ".new")
    try:
        fresh.write_text(text, encoding="utf-8")
        try:
            read_card(fresh)
        except SettingsError as error:
            fresh.unlink()
            said = [p.replace(str(fresh), str(card)) for p in error.problems]
            raise SettingsError([f"not written: {line}" for line in said]) from error
        os.replace(fresh, card)
    except OSError as error:
        raise MachineError(f"{card}: cannot be written: {error.strerror}") from error
