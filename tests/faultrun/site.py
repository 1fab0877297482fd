"""An invented site whose daemon is a child process, and what its journal, witness and log say of it."""

from __future__ import annotations

import collections
import itertools
import json
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

from monitor.journal.file import FILE_NAME
from monitor.journal.store import Journal
from monitor.records import Order
from tests.conftest import ROOT, until
from tests.support.subscriber import Subscriber

SITE_ID = "test_room"
TOPICS = f"canister/{SITE_ID}"
TICK_S = 1.0
_FILTER = """
[filters.{name}]
flow_sensor = {{ pin = {pin}, bore_mm = 16 }}
pump = {{ rated_flow_l_per_h = 1000, max_head_m = 1.5 }}
limits = {{ flow_stopped_hold_s = 1, clear_hold_s = 1 }}
[filters.{name}.hoses.both]
bore_mm = 16
length_m = 3
"""


class Kept(NamedTuple):
    """One event as the journal has it."""

    id: str
    seq: int
    run: str
    filter_id: str
    line_s: float
    event: str
    alarm: str | None
    occurrence: int

    @property
    def key(self) -> tuple[Any, ...]:
        return (self.run, self.filter_id, self.line_s, self.event, self.alarm, self.occurrence)


class Site:
    """Two simulated filters; the faults that the rig is asked for befall `left`.

    Args:
        folder: for everything.
        port: of the broker.
        faults: such as `stall@4s+2s`.
        mqtt: more lines for the table of the broker.
        state: folder of the journal, where it is not to be inside `folder`.
    """

    def __init__(
        self,
        folder: Path,
        port: int,
        faults: Iterable[str],
        mqtt: str = "",
        state: Path | None = None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.state = state if state is not None else folder / "state"
        self.file = folder / "canister.toml"
        self.witness = folder / "acknowledged"
        self.log = folder / "log"
        self.process: subprocess.Popen[bytes] | None = None
        self.file.write_text(
            f"""
[site]
id = "{SITE_ID}"
source = "rig"
[rig]
faults = {json.dumps(list(faults))}
[storage]
folder = "{self.state}"
live_file = "{folder}/live.json"
sample_every_s = 1
commit_every_s = 5
[mqtt]
host = "127.0.0.1"
port = {port}
{mqtt}
{_FILTER.format(name="left", pin=17)}
{_FILTER.format(name="right", pin=27)}
""",
            encoding="utf-8",
        )

    def start(self, wait: bool = True) -> None:
        """Start the daemon; with `wait`, until it watches."""
        before = self.log.read_text(encoding="utf-8").count("watching") if self.log.exists() else 0
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.faultrun.witness", str(self.file), str(self.witness)],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=ROOT,
                env={k: v for k, v in os.environ.items() if not k.startswith("CANISTER_")},
            )  # fmt: skip
        if wait and not until(lambda: self.text.count("watching") > before, 60):
            raise AssertionError(f"the daemon did not start:\n{self.text[-2000:]}")

    @property
    def text(self) -> str:
        """The log so far."""
        return self.log.read_text(encoding="utf-8")

    def kill(self) -> None:
        """As hard as it gets."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def stop(self) -> int:
        """Ask it to end and return its exit code."""
        if self.process is None:
            return 0
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(60)
        self.process = None
        return code

    def resident_mb(self) -> float:
        """Memory of the daemon now."""
        assert self.process is not None
        return resident_mb(self.process.pid)

    def order(self, *orders: Order) -> None:
        """Put orders into the journal, as a command in another process does."""
        journal = Journal(self.state)
        try:
            for order in orders:
                journal.order(order)
        finally:
            journal.close()

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Read the journal."""
        link = sqlite3.connect(self.state / FILE_NAME, timeout=10)
        try:
            return link.execute(query).fetchall()
        finally:
            link.close()

    def kept(self) -> list[Kept]:
        """Return the events on record, oldest first."""
        journal_id = self.rows("SELECT value FROM about WHERE name = 'id'")[0][0]
        found = []
        for seq, run, body in self.rows("SELECT seq, run, body FROM events ORDER BY seq"):
            e = json.loads(body)
            found.append(
                Kept(f"{SITE_ID}.{journal_id}.{seq}", seq, run, e["filter_id"], e["line_s"],
                     e["event"], e.get("alarm"), e.get("occurrence", 0))
            )  # fmt: skip
        return found

    def undelivered(self) -> int:
        """Return how many events the broker has not acknowledged yet."""
        return int(
            self.rows(
                "SELECT COUNT(*) FROM events WHERE seq > "
                "COALESCE((SELECT position FROM cursors WHERE sink = 'mqtt'), 0)"
            )[0][0]
        )

    def drained(self, within_s: float) -> bool:
        """Wait until the broker has everything."""
        return until(lambda: self.undelivered() == 0, within_s, 0.2)

    def integrity(self) -> str:
        """Return what SQLite says of the whole file."""
        return str(self.rows("PRAGMA integrity_check")[0][0])

    def acknowledged_and_gone(self) -> list[tuple[Any, ...]]:
        """Return events that the journal once said were written and that are not there now."""
        there = collections.Counter(k.key for k in self.kept())
        gone = []
        for line in self._witnessed():
            for key in line["events"]:
                whole = (line["run"], *key)
                there[whole] -= 1
                if there[whole] < 0:
                    gone.append(whole)
        return gone

    def samples_acknowledged_and_gone(self) -> int:
        """The same for samples."""
        there = {(f, s) for f, s in self.rows("SELECT filter, line_s FROM samples")}
        return sum((f, s) not in there for line in self._witnessed() for f, s in line["samples"])

    def acknowledged(self) -> int:
        """Return how many events and samples the witness was told of."""
        return sum(len(line["events"]) + len(line["samples"]) for line in self._witnessed())

    def witnessed_bytes(self) -> int:
        """Return how much the witness has been told, for whoever waits for more."""
        return self.witness.stat().st_size if self.witness.exists() else 0

    def _witnessed(self) -> list[dict[str, Any]]:
        if not self.witness.exists():
            return []
        lines = self.witness.read_text(encoding="utf-8").splitlines()
        return [json.loads(line) for line in lines]

    def longest_gap_s(self, filter_id: str = "left") -> float:
        """Return the longest time between two samples on record."""
        at_s = [
            row[0]
            for row in self.rows(
                f"SELECT line_s FROM samples WHERE filter = '{filter_id}' ORDER BY seq"
            )
        ]
        return max(b - a for a, b in itertools.pairwise(at_s))

    def samples(self, filter_id: str = "left") -> int:
        """Return how many seconds of one filter are on record."""
        return int(self.rows(f"SELECT COUNT(*) FROM samples WHERE filter = '{filter_id}'")[0][0])


def resident_mb(process: int | str = "self") -> float:
    """Return the memory that a process has in use, as its kernel says."""
    pages = int(Path(f"/proc/{process}/statm").read_text("ascii").split()[1])
    return pages * resource.getpagesize() / 1e6


class Heard(NamedTuple):
    """What a subscriber that is not ours got: the first of each id, in order, and repeats."""

    ids: list[str]
    repeats: int
    in_order: bool


def heard(subscriber: Subscriber) -> Heard:
    """Drop repeats by id, as every receiver must, and see whether each filter's events are in order."""
    seen: dict[str, tuple[str | None, int]] = {}
    total = 0
    for topic, body in subscriber.messages():
        if topic == f"{TOPICS}/events":
            total += 1
            seen.setdefault(body["id"], (body["filter"], body["sequence"]))
    last: dict[str | None, int] = {}
    in_order = True
    for filter_id, sequence in seen.values():
        in_order = in_order and sequence > last.get(filter_id, 0)
        last[filter_id] = sequence
    return Heard(list(seen), total - len(seen), in_order)


def all_heard(site: Site, subscriber: Subscriber, within_s: float = 20.0) -> bool:
    """Wait until the subscriber has got exactly what is on record."""
    expected = {k.id for k in site.kept()}
    until(lambda: set(heard(subscriber).ids) >= expected, within_s, 0.2)
    return set(heard(subscriber).ids) == expected


def paced(seconds: float) -> Iterable[float]:
    """Yield once a second for so long."""
    end = time.monotonic() + seconds
    while (now := time.monotonic()) < end:
        yield end - now
        time.sleep(max(0.0, min(TICK_S, end - time.monotonic())))
