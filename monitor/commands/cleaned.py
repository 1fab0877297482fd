"""`canister cleaned`: the user has cleaned a filter, or takes that back."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import ConfigOption, JsonOption, json_line, reported

_ANSWER_WITHIN_S = 5.0


@reported
def cleaned(
    filter_name: Annotated[
        str | None,
        typer.Argument(
            metavar="[FILTER]",
            help="Which filter; may be left out when there is one.",
            show_default=False,
        ),
    ] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take the last cleaning back: it was not cleaned.")
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Say that a filter has been cleaned: its clean flow is learned anew.

    Example: canister cleaned long_tank
    """
    from monitor.journal.store import Journal
    from monitor.records import Order
    from monitor.runtime.lock import running_process
    from monitor.settings.load import load

    tree = load(config).tree
    name = chosen(filter_name, tree)
    folder = Path(tree.storage.folder)
    journal = Journal(folder)
    try:
        seq = journal.order(Order("cleaned-undo" if undo else "cleaned", name))
        running = running_process(folder) is not None
        answer = _wait(journal, seq) if running else None
    finally:
        journal.close()
    if answer is None:
        answer = (
            "noted; canister run has not answered yet"
            if running
            else "noted; it takes effect when canister run is started"
        )
    if json:
        json_line({"filter": name, "order": seq, "answer": answer})
    else:
        print(f"{name}: {answer}")
    if answer.startswith("refused"):
        raise typer.Exit(2)


def _wait(journal: Any, seq: int) -> str | None:
    until = time.monotonic() + _ANSWER_WITHIN_S
    while time.monotonic() < until:
        answer: str | None = journal.answer(seq)
        if answer is not None:
            return answer
        time.sleep(0.05)
    return None


def chosen(name: str | None, tree: Any) -> str:
    """Return the filter that is meant.

    Raises:
        UserMistake: it is unknown, or it is not plain which one is meant.
    """
    from monitor.errors import UserMistake
    from monitor.settings.schema import nearest

    known = list(tree.filters)
    if name is None:
        if len(known) == 1:
            return str(known[0])
        raise UserMistake(f"name the filter; known here: {', '.join(known)}")
    if name not in known:
        raise UserMistake(f"no filter {name}{nearest(name, known)}")
    return name
