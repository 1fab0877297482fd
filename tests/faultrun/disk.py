"""The disk under the journal is full, turns read-only, or gives back other bytes than were written.

The first two need a small disk of their own (tests/support/small_disk.py); where this machine lends
none, a limit on the size of files stands in for the full disk and the other is not tried.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import random
import resource
import tempfile
import threading
import time
from pathlib import Path
from typing import NamedTuple

from monitor.journal.file import FILE_NAME
from tests.conftest import Mosquitto, until
from tests.faultrun.control import Control
from tests.faultrun.row import Row
from tests.faultrun.site import TOPICS, Site, all_heard, heard
from tests.support.small_disk import SmallDisk, usable
from tests.support.subscriber import Subscriber

FOR_S = 30.0
_BEFORE_S = 8.0
_STALL_EVERY_S = 5
_WRITTEN_AGAIN_WITHIN_S = 15.0
_LOOKED_AT_EVERY_S = 0.1


class Watched(NamedTuple):
    """What the world outside saw while the journal could not be used."""

    longest_look_s: float
    allowed_look_s: float
    raised: int
    reported: bool


class Scene:
    """A site, its broker, and a subscriber to everything."""

    def __init__(self, folder: Path, for_s: float, state: Path | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "broker").mkdir()
        self.broker = Mosquitto(folder / "broker")
        self.broker.start()
        self.subscriber = Subscriber(folder, self.broker.port, f"{TOPICS}/#")
        stalls = range(3, int(_BEFORE_S + 2 * for_s + 60), _STALL_EVERY_S)
        self.site = Site(folder, self.broker.port, [f"stall@{t}s+2s" for t in stalls], state=state)
        self.live = folder / "live.json"
        self.control = Control(folder)

    def settle(self) -> None:
        """Start, and live well for a while."""
        self.control.__enter__()
        self.site.start()
        time.sleep(_BEFORE_S)
        assert self.site.drained(10), self.site.text[-2000:]

    def watch(self, seconds: float) -> Watched:
        """See for so long what is measured and what is told, without the journal."""
        shown_before = len(self._shown("flow-stopped"))
        end, looks = time.monotonic() + seconds, []
        while time.monotonic() < end:
            with contextlib.suppress(OSError, ValueError):
                looks.append(float(json.loads(self.live.read_bytes())["written_utc_s"]))
            time.sleep(_LOOKED_AT_EVERY_S)
        at_s = sorted(set(looks))
        gaps = [b - a for a, b in itertools.pairwise(at_s)]
        raised = sum(self._shown("flow-stopped")[shown_before:])
        reported = any(self._shown("journal-failing"))
        allowed_s = self.control.allowed_gap_s + _LOOKED_AT_EVERY_S
        return Watched(max(gaps, default=float("inf")), allowed_s, raised, reported)

    def _shown(self, alarm: str) -> list[bool]:
        return [
            body["active"]
            for topic, body in self.subscriber.messages()
            if topic.endswith(f"/alarms/{alarm}")
        ]

    def close(self) -> None:
        self.control.__exit__(None, None, None)
        self.site.kill()
        self.subscriber.stop()
        self.broker.kill()


def full(for_s: float = FOR_S, small: bool | None = None) -> Row:
    """No room for a while, then room again."""
    small = usable() if small is None else small
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        disk = SmallDisk(folder / "disk") if small else None
        scene = Scene(folder / "site", for_s, disk.folder / "state" if disk else None)
        site = scene.site
        try:
            scene.settle()
            if disk is not None:
                disk.fill()
            else:
                _limit(site, _file_bytes(site))
            seen = scene.watch(for_s)
            if disk is not None:
                disk.make_room()
            else:
                _limit(site, resource.RLIM_INFINITY)
            again = until(lambda: "can be written again" in site.text, _WRITTEN_AGAIN_WITHIN_S, 0.2)
            same = again and site.drained(30) and all_heard(site, scene.subscriber)
            code = site.stop()
            gone = len(site.acknowledged_and_gone()) + site.samples_acknowledged_and_gone()
            gap_s, verdict = site.longest_gap_s(), site.integrity()
            in_order = heard(scene.subscriber).in_order
        finally:
            scene.close()
            if disk is not None:
                disk.close()
    kind = "a small ext4" if small else "a limit on the size of files"
    return Row(
        f"disk full for {for_s:.0f} s ({kind})",
        f"{_words(seen)}; afterwards longest gap on record {gap_s:.2f} s, {gone} acknowledged rows "
        f"gone, {'all' if same else 'NOT all'} events received, integrity {verdict}",
        "measuring, alarming and telling go on; nothing lost",
        _well(seen) and again and same and code == 0 and gone == 0 and gap_s <= scene.control.allowed_gap_s
        and verdict == "ok" and in_order,
    )  # fmt: skip


def read_only(for_s: float = FOR_S) -> Row | None:
    """The kernel takes the disk away from whoever writes; `None` where this cannot be tried."""
    if not usable():
        return None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        disk = SmallDisk(folder / "disk")
        scene = Scene(folder / "site", for_s, disk.folder / "state")
        site = scene.site
        try:
            scene.settle()
            disk.turn_read_only()
            seen = scene.watch(for_s)
            code = site.stop()
            told = "never written" in site.text
            disk.repaired()
            gone = len(site.acknowledged_and_gone()) + site.samples_acknowledged_and_gone()
            verdict = site.integrity()
            site.start()
            time.sleep(_BEFORE_S)
            same = site.drained(30) and all_heard(site, scene.subscriber)
            site.stop()
        finally:
            scene.close()
            disk.close()
    return Row(
        f"disk read-only for {for_s:.0f} s, then a restart",
        f"{_words(seen)}; what was lost is {'told' if told else 'NOT told'} at the end; afterwards "
        f"{gone} acknowledged rows gone, {'all' if same else 'NOT all'} events on record received, "
        f"integrity {verdict}",
        "measuring, alarming and telling go on; lost is only what came meanwhile, and it is told",
        _well(seen) and told and code == 0 and gone == 0 and same and verdict == "ok",
    )


def flipped(for_s: float = FOR_S, seed: int = 1) -> Row:
    """Bits of the journal change under the running daemon; later it is started again."""
    with tempfile.TemporaryDirectory() as name:
        scene = Scene(Path(name) / "site", for_s)
        site = scene.site
        try:
            scene.settle()
            flips = _flip(site.state, random.Random(seed))
            seen = scene.watch(for_s)
            mended_alive = "a new one begun" in site.text
            code = site.stop()
            site.start()
            time.sleep(_BEFORE_S)
            drained = site.drained(30)
            verdict = site.integrity()
            lost = _told_to_nobody(site, scene.subscriber)
            kept = len(list(site.state.glob("damaged-*.sqlite")))
            site.stop()
        finally:
            scene.close()
    return Row(
        f"{flips} bits flipped in the journal while it is used",
        f"{_words(seen)}; {'mended while running' if mended_alive else 'NOT mended while running'}, "
        f"{kept} damaged file kept; {len(lost)} acknowledged events reached nobody; new journal: "
        f"integrity {verdict}",
        "measuring, alarming and telling go on; the damaged file is kept and a new one begun, while "
        "running or at the next start; every event reaches the subscriber",
        seen.longest_look_s <= seen.allowed_look_s and seen.raised >= 1
        and (seen.reported or not mended_alive) and code == 0 and drained and kept == 1
        and not lost and verdict == "ok",
    )  # fmt: skip


def measure(for_s: float = FOR_S, where_it_can_be: bool = False) -> list[Row]:
    """All three, side by side; with `where_it_can_be`, what this machine does not allow is left out."""
    found: dict[str, Row | BaseException | None] = {}

    def one(work: object) -> None:
        try:
            found[work.__name__] = work(for_s)  # type: ignore[operator,attr-defined]
        except BaseException as error:
            found[work.__name__] = error  # type: ignore[attr-defined]

    threads = [threading.Thread(target=one, args=(work,)) for work in (full, read_only, flipped)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    rows = []
    for result in found.values():
        if isinstance(result, BaseException):
            raise result
        if result is not None:
            rows.append(result)
        elif not where_it_can_be:
            rows.append(Row("disk read-only", "not tried", "root and a loop device", False))
    return rows


def _words(seen: Watched) -> str:
    return (
        f"longest time without a look {seen.longest_look_s:.1f} s, {seen.raised} stops told "
        f"meanwhile, journal-failing {'raised' if seen.reported else 'NOT raised'}"
    )


def _well(seen: Watched) -> bool:
    return seen.longest_look_s <= seen.allowed_look_s and seen.raised >= 1 and seen.reported


def _file_bytes(site: Site) -> int:
    """The size at which no file of the journal can grow."""
    return min(f.stat().st_size for f in site.state.glob(f"{FILE_NAME}-wal"))


def _limit(site: Site, size: int) -> None:
    assert site.process is not None
    _, hard = resource.prlimit(site.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(site.process.pid, resource.RLIMIT_FSIZE, (size, hard))


def _flip(state: Path, draw: random.Random) -> int:
    """Flip a bit in every hundredth byte or so of the journal's files, headers left alone."""
    flips = 0
    for name in (FILE_NAME, f"{FILE_NAME}-wal"):
        with (state / name).open("r+b") as file:
            size = file.seek(0, 2)
            for _ in range(size // 100):
                at = draw.randrange(min(100, size - 1), size)
                file.seek(at)
                byte = file.read(1)[0]
                file.seek(at)
                file.write(bytes([byte ^ (1 << draw.randrange(8))]))
                flips += 1
    return flips


def _told_to_nobody(site: Site, subscriber: Subscriber) -> list[object]:
    """Acknowledged events, in whichever journal, that the subscriber never got."""
    got = {
        (b["run"], b["filter"] or "", b["event"], b["alarm"], b["occurrence"])
        for t, b in subscriber.messages()
        if t == f"{TOPICS}/events"
    }
    return [
        key
        for line in site._witnessed()
        for f, _, event, alarm, occurrence in line["events"]
        if (key := (line["run"], f, event, alarm, occurrence)) not in got
    ]
