"""A first configuration where there is none: only what the walk itself needs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from monitor.app.commission.session import Left, Talk
from monitor.errors import SettingsError
from monitor.settings.base import MAX_FILTERS
from monitor.settings.edit import edited, replaced
from monitor.settings.load import load

_HEAD = "# Written by `canister commission`. Every key: deploy/canister.reference.toml.\n"


def begun(file: Path, talk: Talk, stamp: str) -> None:
    """Ask for the least that a configuration needs, and write it.

    Raises:
        SettingsError: what was answered cannot be a configuration; nothing is written.
        StorageError: it cannot be written.
        Left: the answer was q; nothing is written.
    """
    talk.say(f"{file}: no such file. A few questions make a first one; Enter keeps what is in brackets.")  # fmt: skip
    while True:
        text = edited(_HEAD, _answers(talk))
        try:
            load(file, text=text)
        except SettingsError as error:
            for problem in error.problems:
                talk.say(problem)
            talk.say("Please answer once more.")
            continue
        replaced(file, text, stamp)
        talk.say(f"{file} written. Hoses, media and the broker can be added to it by hand.")
        return


def _answers(talk: Talk) -> dict[str, Any]:
    found: dict[str, Any] = {
        "site.id": _ask(talk, "Short name of the site (a-z, 0-9, _)", "fish_room")
    }
    name = _ask(talk, "Name of the site for people", "")
    if name:
        found["site.name"] = name
    found["site.source"] = _ask(talk, "Readings from pins, or rig to rehearse", "pins")
    asked = _ask(talk, "Short names of the filters, with spaces between", "left").split()
    for number, one in enumerate(dict.fromkeys(asked[:MAX_FILTERS])):
        at = f"filters.{one.replace('.', '_')}"
        found[f"{at}.flow_sensor.pin"] = _plain(_ask(talk, f"{one}: GPIO pin of its sensor (BCM)", str((17, 27, 22, 23, 24, 25, 5, 6)[number])))  # fmt: skip
        rated = _ask(talk, f"{one}: rated flow on the pump's box, L/h (Enter: unknown)", "")
        if rated:
            found[f"{at}.pump.rated_flow_l_per_h"] = _plain(rated)
            found[f"{at}.pump.max_head_m"] = _plain(_ask(talk, f"{one}: maximum head on the box, m", "1.5"))  # fmt: skip
            at_hose = f"{at}.hoses.both"
            found[f"{at_hose}.bore_mm"] = _plain(_ask(talk, f"{one}: inner diameter of its hoses, mm", "16"))  # fmt: skip
            found[f"{at_hose}.length_m"] = _plain(_ask(talk, f"{one}: length of its hoses together, m", "3"))  # fmt: skip
        litres = _ask(talk, f"{one}: water in the tank, L (Enter: unknown)", "")
        if litres:
            found[f"{at}.tank.volume_l"] = _plain(litres)
    return found


def _ask(talk: Talk, question: str, default: str) -> str:
    answer = talk.ask(question, default).strip()
    if answer.lower() in ("q", "quit"):
        raise Left
    return answer


def _plain(text: str) -> Any:
    """A number where it is one; else the words, so that the check of the configuration names them."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text
