"""A test alarm the whole way: asked for, raised, on record, and taken by every way out."""

from __future__ import annotations

import time
from pathlib import Path

from monitor.app.outlet import ways_out
from monitor.errors import MachineError
from monitor.journal.store import Journal
from monitor.records import AlarmKind, EventKind, Order
from monitor.runtime.lock import running_process
from monitor.settings.model import SettingsTree

_LOOK_EVERY_S = 0.05
_RAISED_WITHIN_S = 10.0


def try_alarm(tree: SettingsTree, wait_s: float, by: str) -> dict[str, float | None]:
    """Raise the test alarm and return for each way out after how long it was taken, `None`: not yet.

    Raises:
        MachineError: nothing runs that could raise it, or it does not answer.
        StorageError: the journal cannot be used.
    """
    folder = Path(tree.storage.folder)
    if running_process(folder) is None:
        raise MachineError("canister run is not running: nobody would raise an alarm; start it")
    journal = Journal(folder, mend=False)
    try:
        began = time.monotonic()
        last = journal.last_entries(1)
        after = last[-1].seq if last else 0
        journal.order(Order("test-alarm", "", by=by))
        seq = _raised(journal, after)
        found: dict[str, float | None] = dict.fromkeys(ways_out(tree))
        while None in found.values() and time.monotonic() - began < wait_s:
            for sink, done in found.items():
                if done is None and journal.cursor(sink) >= seq:
                    found[sink] = time.monotonic() - began
            time.sleep(_LOOK_EVERY_S)
        return found
    finally:
        journal.close()


def _raised(journal: Journal, after: int) -> int:
    """Wait until the alarm is on record and return its number; a second one is the same test."""
    until = time.monotonic() + _RAISED_WITHIN_S
    while time.monotonic() < until:
        for entry in journal.entries_after(after, 50):
            about = entry.event.alarm is AlarmKind.TEST
            if about and entry.event.event in (EventKind.RAISED, EventKind.REPEATED):
                if not entry.event.announce:
                    raise MachineError(
                        "the test alarm is shelved: nobody is told; canister unshelve test, then again"
                    )
                return entry.seq
        time.sleep(_LOOK_EVERY_S)
    raise MachineError(
        "the test alarm was not raised within 10 s: one may stand already, acknowledge it with "
        "`canister acknowledge`; or canister run hangs, look at its log"
    )
