"""Gives an order to the daemon through the journal and waits for its answer."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import typer

from monitor.alarms.site import SITE, SITE_KINDS
from monitor.commands.common import json_line
from monitor.errors import UserMistake
from monitor.journal.store import Journal
from monitor.records import Order
from monitor.runtime.lock import running_process
from monitor.settings.load import load
from monitor.settings.schema import nearest

_ANSWER_WITHIN_S = 5.0


def give(
    name: str,
    filter_name: str | None,
    config: Path | None,
    json: bool,
    minutes: float = 0.0,
    alarm: str = "",
    by: str = "",
    site_too: bool = False,
) -> None:
    """Put down an order and print the answer; exit code 2 when it is refused.

    With `site_too` no filter means all of them and the site. An alarm of the site needs no filter.

    Raises:
        SettingsError, StorageError: configuration or journal cannot be used.
        UserMistake: the filter is unknown, or it is not plain which one is meant.
    """
    tree = load(config).tree
    of_site = filter_name is None and (site_too or alarm in set(SITE_KINDS))
    target = SITE if of_site else chosen(filter_name, tree)
    folder = Path(tree.storage.folder)
    journal = Journal(folder, mend=False)
    try:
        seq = journal.order(Order(name, target, minutes, alarm, by=by))
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
        json_line({"filter": target or None, "order": seq, "answer": answer})
    else:
        print(f"{target or tree.site.id}: {answer}")
    if answer.startswith("refused"):
        raise typer.Exit(2)


def _wait(journal: Journal, seq: int) -> str | None:
    until = time.monotonic() + _ANSWER_WITHIN_S
    while time.monotonic() < until:
        answer = journal.answer(seq)
        if answer is not None:
            return answer
        time.sleep(0.05)
    return None


def chosen(name: str | None, tree: Any) -> str:
    """Return the filter that is meant.

    Raises:
        UserMistake: it is unknown, or it is not plain which one is meant.
    """
    known = list(tree.filters)
    if name is None:
        if len(known) == 1:
            return str(known[0])
        raise UserMistake(f"name the filter; known here: {', '.join(known)}")
    if name not in known:
        raise UserMistake(f"no filter {name}{nearest(name, known)}")
    return name
