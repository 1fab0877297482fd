"""The power is cut at every write and every sync of the journal's SQLite file."""

from __future__ import annotations

import sqlite3
import tempfile
from pathlib import Path
from typing import NamedTuple

import msgspec

from monitor.journal.file import FILE_NAME
from monitor.journal.packing import unpacked
from monitor.journal.store import Journal
from monitor.records import (
    AlarmKind,
    Assessment,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    Moment,
    Order,
    Quality,
    Sample,
)  # fmt: skip
from tests.faultrun.row import Row
from tests.support.sqlite_writes import Cut, Op, cuts, recorded

RECORDS = 60
_PAGES_BETWEEN_CHECKPOINTS = 40  # SQLite's own figure is 1,000; so that there are many checkpoints
_SAMPLES = 5


class Told(NamedTuple):
    """What the journal acknowledged: a record by its number, an order, or a cursor."""

    kind: str
    number: int


def _event(number: int) -> Event:
    return Event("left", EventKind.RAISED, float(number), 1000.0 + number, AlarmKind.FLOW_LOW, number,
                 1e-4, 2e-4, CleanBasis.MEASURED, None, Cause.AIR, "seen " * 20, "do " * 20)  # fmt: skip


def _samples(number: int) -> list[Sample]:
    seen = Assessment("left", 1.0, 1e-4, Quality.GOOD, 1e-4, 1e-4, 2e-4, CleanBasis.MEASURED,
                      25.0, Quality.GOOD, 0.0, True)  # fmt: skip
    return [Sample(Moment(float(number), 1000.0 + number), seen) for _ in range(_SAMPLES)]


def work(folder: Path, records: int, synchronous: str = "FULL") -> list[Op]:
    """Use a journal as daemon, delivery and a command do; return all that SQLite asked of the disk.

    With another `synchronous` than the journal's own, rows are lost: the simulation can tell.
    """
    with recorded(folder) as ops:
        journal = Journal(folder)
        with journal.guarded("set up") as link:
            link.execute(f"PRAGMA wal_autocheckpoint = {_PAGES_BETWEEN_CHECKPOINTS}")
            link.execute(f"PRAGMA synchronous = {synchronous}")
        hand = Journal(folder)
        for number in range(1, records + 1):
            states = {"filter/left": msgspec.json.encode({"n": number, "more": "x" * 3000})}
            journal.record(
                Moment(float(number), 1000.0 + number), [_event(number)], _samples(number), states
            )
            ops.append(Op("told", told=Told("record", number)))
            if number % 4 == 0:
                journal.move_cursor("mqtt", number)
                ops.append(Op("told", told=Told("cursor", number)))
            if number % 7 == 0:
                ops.append(Op("told", told=Told("order", hand.order(Order("cleaned", "left")))))
            if number == records // 2:
                journal.prune(float(number // 2), 10**9)
                ops.append(Op("told", told=Told("pruned", number // 2)))
        hand.close()
        journal.close()
    return ops


def broken(cut: Cut) -> str | None:
    """Return what is wrong after a cut, `None` for nothing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, content in cut.files.items():
            if not file.endswith("-shm"):
                (folder / file).write_bytes(content)
        journal = Journal(folder)
        try:
            if journal.mended is not None and cut.told:
                return journal.mended
            journal.record(Moment(1e6, 1e6), [_event(10**6)])  # it can be used
        finally:
            journal.close()
        link = sqlite3.connect(folder / FILE_NAME)
        try:
            return _missing(link, cut)
        finally:
            link.close()


def _missing(link: sqlite3.Connection, cut: Cut) -> str | None:
    verdict = link.execute("PRAGMA integrity_check").fetchone()[0]
    if verdict != "ok":
        return f"integrity_check: {verdict}"
    of = {kind: max((t.number for t in cut.told if t.kind == kind), default=0)
          for kind in ("record", "cursor", "order", "pruned")}  # fmt: skip
    events = [int(r[0]) for r in link.execute("SELECT line_s FROM events ORDER BY seq")][:-1]
    if events != list(range(1, len(events) + 1)) or len(events) < of["record"]:
        return f"{of['record']} records acknowledged, there are {events}"
    counted = dict(link.execute("SELECT line_s, COUNT(*) FROM samples GROUP BY line_s"))
    for number in range(max(1, of["pruned"]), len(events) + 1):
        may_be_pruned = number < RECORDS // 4 and of["pruned"] == 0
        if counted.get(float(number), 0) != _SAMPLES and not may_be_pruned:
            return f"record {number} is there in part: {counted.get(float(number), 0)} samples"
    state = link.execute("SELECT body FROM states").fetchone()
    if events and (state is None or msgspec.json.decode(unpacked(state[0]))["n"] != len(events)):
        return f"the state is not that of record {len(events)}"
    cursor = link.execute("SELECT position FROM cursors").fetchone()
    if of["cursor"] and (cursor is None or not of["cursor"] <= cursor[0] <= len(events)):
        return f"the cursor was at {of['cursor']}, it is at {cursor}"
    orders = link.execute("SELECT COUNT(*) FROM orders").fetchone()[0]
    return None if orders >= of["order"] else f"{of['order']} orders, there are {orders}"


def measure(records: int = RECORDS, every: int = 1, synchronous: str = "FULL") -> list[Row]:
    """Cut the power at every boundary, or at every so many, and look at each remainder."""
    with tempfile.TemporaryDirectory() as name:
        ops = work(Path(name), records, synchronous)
    tried, bad = 0, []
    for cut in cuts(ops, every=every):
        tried += 1
        wrong = broken(cut)
        if wrong is not None:
            bad.append(f"cut {cut.number}, {cut.fate}: {wrong}")
    kinds = {kind: sum(op.kind == kind for op in ops) for kind in ("write", "sync", "told")}
    to_database = sum(op.kind == "write" and op.file == FILE_NAME for op in ops)
    first = f"; first: {bad[0]}" if bad else ""
    return [
        Row(
            "power cut at every write of the SQLite file",
            f"{tried} remainders of {kinds['write']} writes ({to_database} by checkpoints) and "
            f"{kinds['sync']} syncs, {kinds['told']} acknowledgements: {len(bad)} bad{first}",
            "every acknowledged row there, whole records only, integrity ok",
            not bad and tried > 0 and to_database > 20,
        )
    ]
