"""The steps with dry hands: cautions, limits, reminders, the configuration, the test alarm."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

from monitor.app.commission.session import Session, Step
from monitor.app.commission.verdicts import Judged, Outcome
from monitor.app.commission.walk import put
from monitor.app.reminders import CARBON
from monitor.app.trial import try_alarm
from monitor.errors import MachineError, SettingsError, StorageError
from monitor.journal.store import Journal
from monitor.records import AlarmKind, Order
from monitor.runtime.lock import running_process
from monitor.settings.edit import edited, install_line, replaced, writable
from monitor.settings.load import load
from monitor.settings.model import FilterSettings, SettingsTree

_LAMP_OFF_DAYS = 14  # a new tank's first weeks: common practice, no source
_DELIVERED_WITHIN_S = 30.0
_LONGEST_LAMP_H = 100000
_READY = "canister.toml.commissioned"

CAUTIONS = (
    "Nothing here switches or touches mains. Where a step seems to need it, ask a licensed electrician;"
    " local codes come first.",
    "Unplug before hands go into the water. Plug in and out with dry hands.",
    "Water runs by siphon while the filter is unplugged: the tap or a lifted hose stops it.",
    "Board and supply stand above and away from the water, behind a residual-current device.",
    "A full canister is heavy. Mind your back.",
)


def first_step() -> Step:
    """Return the step that comes before all others."""
    return Step("cautions", "Before you begin", CAUTIONS, _cautions)


def dry_steps(name: str, settings: FilterSettings) -> list[Step]:
    """Return the steps of one filter that ask."""
    shown = settings.name or name
    return [
        Step(f"{name}/limits", f"{shown}: limits", ("Enter keeps what stands in brackets.",),
             lambda s: _limits(s, name)),
        Step(f"{name}/reminders", f"{shown}: reminders", ("Enter keeps what stands in brackets.",),
             lambda s: _reminders(s, name)),
    ]  # fmt: skip


def last_steps() -> list[Step]:
    """Return the steps that come after all filters."""
    return [
        Step("configuration", "Write the configuration",
             ("The old file is kept as a dated copy.",), _configuration),
        Step("alarm", "Test alarm",
             ("Have your phone or screen at hand.",
              "canister run must be running with the new configuration: `sudo deploy/install` starts it"
              " the first time, `sudo systemctl restart canister-monitor` later."), _alarm),
    ]  # fmt: skip


def _cautions(s: Session) -> Judged:
    s.walk.by = s.ask("Your name, for the sheet", s.walk.by or "not given")[:80]
    if not s.yes("Have you read the cautions?", True):
        return Judged(Outcome.FAILED, "The cautions were not read.", "Read them; they are short.")
    return Judged(Outcome.PASSED, "Cautions read.")


def _limits(s: Session, name: str) -> Judged:
    settings = s.tree.filters[name]
    limits, tank = settings.limits, settings.tank
    changes: dict[str, Any] = {}
    while True:
        due = s.sure_number("Cleaning is due below so many % of clean flow", 1, 99,
                            100 * limits.cleaning_due_share)  # fmt: skip
        stop = s.sure_number("Flow has stopped below so many %", 1, 99,
                             100 * limits.flow_stopped_share)  # fmt: skip
        hold_s = s.sure_number("... for so many seconds", 0, 3600, limits.flow_stopped_hold_s)
        changes = _changed({
            f"filters.{name}.limits.cleaning_due_share": (due / 100, limits.cleaning_due_share),
            f"filters.{name}.limits.flow_stopped_share": (stop / 100, limits.flow_stopped_share),
            f"filters.{name}.limits.flow_stopped_hold_s": (hold_s, limits.flow_stopped_hold_s),
        })  # fmt: skip
        low = high = None
        probe = s.believed(f"filters.{name}.probe.rom_id", settings.probe)
        if probe is not None:
            low = _limit(s, "colder", tank.min_c)
            high = _limit(s, "warmer", tank.max_c)
            changes |= _changed({f"filters.{name}.tank.min_c": (low, tank.min_c),
                                 f"filters.{name}.tank.max_c": (high, tank.max_c)})  # fmt: skip
        problems = _problems(s, changes)
        if not problems:
            break
        for problem in problems:
            s.talk.say(problem)
        s.talk.say("Please give them again.")
    words = [_word(None if c is None else s.shown.temperature(c)) for c in (low, high)]
    band = f"{' to '.join(words)} {s.shown.degrees}" if probe is not None else "no probe"
    figures = {
        "cleaning due below": f"{due:g} % of clean flow for {limits.cleaning_due_hold_min:g} min",
        "flow low below": f"{100 * limits.flow_low_share:g} % for {limits.flow_low_hold_s:g} s",
        "flow stopped below": f"{stop:g} % for {hold_s:g} s",
        "water temperature": band,
    }
    line = f"Due below {due:g} %, stopped below {stop:g} % for {hold_s:g} s, water {band}."
    return Judged(Outcome.PASSED, line, "", figures, changes)


def _limit(s: Session, than: str, before_c: float | None) -> float | None:
    """Ask for a limit of the water's temperature as the person reads it; return it in °C."""
    shown, question = s.shown, f"Alarm when the water is {than} than, {s.shown.degrees}"
    low, high = (shown.temperature(c) for c in (0.0, 40.0))
    default = None if before_c is None else shown.temperature(before_c)
    return shown.temperature_c(s.number(question, low, high, default), before_c)


def _word(value: float | None) -> str:
    return "none" if value is None else f"{value:g}"


def _changed(pairs: dict[str, tuple[Any, Any]]) -> dict[str, Any]:
    """Return what differs from before; shares as they were typed, without the tail of a division."""
    return {
        key: None if new is None else round(new, 6)
        for key, (new, old) in pairs.items()
        if _differ(new, old)
    }


def _differ(new: float | None, old: float | None) -> bool:
    if new is None or old is None:
        return new is not old
    return abs(new - old) > 1e-9


def _problems(s: Session, changes: dict[str, Any]) -> tuple[str, ...]:
    try:
        load(s.file, text=edited(written(s), changes))
    except SettingsError as error:
        return error.problems
    return ()


def written(s: Session) -> str:
    """Return the configuration as it stands in its file.

    Raises:
        StorageError: it cannot be read.
    """
    try:
        return s.file.read_text(encoding="utf-8")
    except OSError as error:
        raise StorageError(
            f"{s.file}: cannot be read: {error.strerror}; run it with sudo"
        ) from error


def _reminders(s: Session, name: str) -> Judged:
    settings, at = s.tree.filters[name], f"filters.{name}.reminders"
    asked = settings.reminders
    changes: dict[str, Any] = {}
    figures: dict[str, str] = {}
    lamp = s.day("UV lamp: when was it put in", _default(asked.uv_lamp_fitted, "none"))
    changes[f"{at}.uv_lamp_fitted"] = None if lamp is None else lamp.isoformat()
    if lamp is not None:
        hours = s.sure_number("... hours that it lasts, from its box", 100, _LONGEST_LAMP_H,
                              asked.uv_lamp_hours)  # fmt: skip
        changes[f"{at}.uv_lamp_hours"] = round(hours)
        figures["UV lamp"] = f"put in {lamp}, lasts {hours:.0f} h"
        if s.yes("Is the tank new, in its first weeks?", False):
            until = s.today + timedelta(days=_LAMP_OFF_DAYS)
            changes[f"{at}.uv_lamp_off_until"] = until.isoformat()
            figures["UV lamp off until"] = f"{until} (common practice, no source)"
            s.talk.say(
                f"Leave the UV lamp off until {until}: common practice while bacteria settle in the media, no source."
            )
    key, before = _carbon(name, settings, s.tree)
    carbon = s.day("Carbon: when was it put in", _default(before, "none"))
    changes[key] = None if carbon is None else carbon.isoformat()
    figures["carbon"] = "none" if carbon is None else f"put in {carbon}"
    seals = s.day("Seals: when were they looked at", _default(asked.seals_checked, "today"))
    changes[f"{at}.seals_checked"] = None if seals is None else seals.isoformat()
    figures["seals"] = "not looked at" if seals is None else f"looked at {seals}"
    return Judged(Outcome.PASSED, "Reminders noted; `canister status` and the daily word say them.",
                  "", figures, changes)  # fmt: skip


def _default(value: Any, otherwise: str) -> str:
    return otherwise if value is None else str(value)


def _carbon(name: str, settings: FilterSettings, tree: SettingsTree) -> tuple[str, Any]:
    """Where the date of the carbon belongs: to its layer of media, else to the reminders."""
    for layer, media in settings.media.items():
        own = tree.materials.get(media.material)
        if own.role == "chemical" if own is not None else media.material in CARBON:
            return f"filters.{name}.media.{layer}.fitted", media.fitted
    return f"filters.{name}.reminders.carbon_fitted", settings.reminders.carbon_fitted


def _configuration(s: Session) -> Judged:
    changes = s.walk.changes()
    old = written(s)
    new = edited(old, changes)
    load(s.file, text=new)
    if new == old:
        (s.folder / _READY).unlink(missing_ok=True)
        return Judged(Outcome.PASSED, "The configuration already says all of it.")
    for key, value in changes.items():
        s.talk.say(f"  {key} = {'(taken out)' if value is None else value}")
    if not s.yes(f"Write this into {s.file}?", True):
        return Judged(Outcome.FAILED, "The configuration was not written.",
                      "Do this step again when the values are right.")  # fmt: skip
    if writable(s.file):
        copy = replaced(s.file, new, s.stamp)
        s.walk.written = s.stamp
        return Judged(Outcome.PASSED, f"{s.file} written.", "Restart canister run to take it up.",
                      {"old file": str(copy)})  # fmt: skip
    return _handed_over(s, new)


def _handed_over(s: Session, new: str) -> Judged:
    """This user may not write there: lay the file ready and let an administrator put it in place."""
    ready, file = s.folder.resolve() / _READY, s.file.resolve()
    put(ready, new.encode(), 0o600)
    s.talk.say("This user may not write there. In another terminal:")
    s.talk.say(f"  {install_line(ready, file, s.stamp)}")
    s.ask("Enter when it is done")
    if written(s) != new:
        return Judged(Outcome.FAILED, f"{s.file} is still the old one.",
                      f"Put {ready} in its place, then do it again.")  # fmt: skip
    ready.unlink(missing_ok=True)
    s.walk.written = s.stamp
    return Judged(Outcome.PASSED, f"{s.file} written.", "Restart canister run to take it up.",
                  {"old file": f"{file}.{s.stamp}"})  # fmt: skip


def _alarm(s: Session) -> Judged:
    tree = load(s.file).tree
    folder = Path(tree.storage.folder)
    if running_process(folder) is None:
        return Judged(
            Outcome.FAILED, "canister run is not running: nobody would raise an alarm.",
            "Start it, then do this again; or leave with q and come back: canister commission.",
        )  # fmt: skip
    s.talk.say("The test alarm goes out ...")
    taken = try_alarm(tree, _DELIVERED_WITHIN_S, s.walk.by)
    figures = {
        way: "not taken" if after is None else f"taken after {after:.1f} s"
        for way, after in taken.items()
    }
    for way, words in figures.items():
        s.talk.say(f"{way}: {words}")
    if not taken:
        return Judged(Outcome.FAILED, "No way out is configured: nobody hears of alarms.",
                      "Configure [mqtt] or [notify], restart canister run, do it again.")  # fmt: skip
    arrived = s.yes("Has it come to your own phone or screen?", False)
    _acknowledge(s, folder)
    if not arrived:
        return Judged(Outcome.FAILED, "The test alarm did not arrive.",
                      "Look at `canister check`, the addresses and the broker; do it again.", figures)  # fmt: skip
    if None in taken.values():
        late = ", ".join(way for way, after in taken.items() if after is None)
        return Judged(Outcome.LOOK, "The test alarm arrived.", f"Not taken by: {late}.", figures)
    return Judged(Outcome.PASSED, "The test alarm arrived.", "", figures)


def _acknowledge(s: Session, folder: Path) -> None:
    """End the test: it has been seen, or looked for."""
    try:
        journal = Journal(folder)
        try:
            journal.order(Order("acknowledge", "", alarm=str(AlarmKind.TEST), by=s.walk.by))
        finally:
            journal.close()
    except MachineError as error:
        s.talk.say(f"The test alarm still stands ({error}); end it with `canister acknowledge`.")
