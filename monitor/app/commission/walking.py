"""Walks the steps one after another, keeps what was found after each, and can be left at any of them."""

from __future__ import annotations

from datetime import UTC, datetime

from monitor.app.commission.paper import dry_steps, first_step, last_steps, written
from monitor.app.commission.session import Session, Step
from monitor.app.commission.shown import Shown
from monitor.app.commission.verdicts import Judged, Outcome
from monitor.app.commission.walk import Done, keep
from monitor.app.commission.water import water_steps
from monitor.errors import CanisterError
from monitor.settings.edit import edited
from monitor.settings.load import load
from monitor.settings.model import SettingsTree


def all_steps(tree: SettingsTree) -> list[Step]:
    """Return every step for a configuration, in order."""
    found, shown = [first_step()], Shown(tree.site.units == "us")
    for name, settings in tree.filters.items():
        found += [*water_steps(name, settings, shown), *dry_steps(name, settings)]
    return [*found, *last_steps()]


def walk(s: Session) -> None:
    """Walk all steps that are not done yet.

    Raises:
        Left: the person leaves; every finished step is kept.
        StorageError: what was found cannot be kept.
    """
    steps = all_steps(s.tree)
    open_ends = [x.title for x in steps if _open_end(s, x)]
    if open_ends and s.yes(f"Skipped or failed: {'; '.join(open_ends)}. Do them now?", True):
        for step in steps:
            if _open_end(s, step):
                del s.walk.done[step.id]
        s.walk.done.pop("configuration", None)
    for number, step in enumerate(steps, 1):
        if step.id not in s.walk.done:
            s.talk.say()
            s.talk.say(f"Step {number} of {len(steps)}. {step.title}")
            judged = _walked(s, step)
            s.walk.done[step.id] = Done(judged, datetime.now(UTC).isoformat(timespec="seconds"))
            _void(s, step)
            keep(s.folder, s.walk)


def _void(s: Session, done: Step) -> None:
    """A flow was measured by the pulses per litre of then: after another bucket test it is no more."""
    name, _, what = done.id.rpartition("/")
    if what == "bucket":
        s.walk.done.pop(f"{name}/flow", None)


def _open_end(s: Session, step: Step) -> bool:
    done = s.walk.done.get(step.id)
    return done is not None and done.judged.outcome in (Outcome.FAILED, Outcome.SKIPPED)


def _walked(s: Session, step: Step) -> Judged:
    """Do one step until it is well, or the person goes on without."""
    for line in step.todo:
        s.talk.say(f"  - {line}")
    while True:
        answer = _choice(s, "Enter to begin, s to skip, q to leave", ("", "s"))
        if answer == "s":
            return Judged(Outcome.SKIPPED, "Skipped.")
        judged = _acted(s, step)
        s.talk.say(f"{judged.outcome.upper()}: {judged.line}")
        if judged.remedy:
            s.talk.say(f"  {judged.remedy}")
        if judged.outcome in (Outcome.PASSED, Outcome.SKIPPED):
            return judged
        if judged.outcome is Outcome.LOOK:
            again = _choice(s, "Enter to go on, a to do it again, q to leave", ("", "a")) == "a"
        else:
            again = _choice(s, "Enter to do it again, s to go on without, q to leave", ("", "s")) == ""  # fmt: skip
        if not again:
            return judged


def _acted(s: Session, step: Step) -> Judged:
    """What the program itself cannot do on the way is a failed step, not the end of the walk.

    Nor is a figure that no configuration may hold: it is refused here, where it can be found anew.
    """
    try:
        judged = step.act(s)
        if judged.changes:
            load(s.file, text=edited(written(s), s.walk.changes() | judged.changes))
    except CanisterError as error:
        line, _, remedy = str(error).partition("; ")
        return Judged(Outcome.FAILED, line, remedy)
    return judged


def _choice(s: Session, question: str, known: tuple[str, ...]) -> str:
    while True:
        answer = s.ask(question).lower()
        if answer in known:
            return answer
        s.talk.say(f"{answer}: not understood.")
