"""Bytes that a day at rest writes to the disk: one filter with a probe, all settings at their defaults.

Twenty days come first, at a minute's cadence, so that the state is as large as it gets and the journal
is filled. Then one day at 1 Hz goes through the parts that the daemon has, in simulated time, in a
process of its own. Two figures: what the kernel charges that process with (`write_bytes` in /proc/self/io:
whole pages, the write-ahead log, checkpoints, the log's index); and, where this runs as root and a loop
device can be had, what a fresh ext4 in a file was sent as a block device, file system and its own journal
included. After each commit everything is synced, since in real time the kernel would have written it
long before the next. The target is held against the larger figure. In a card itself more is written,
by a factor that its maker keeps to himself.

The reference writes the samples' own numbers, 8 bytes each, and nothing else.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import math
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from monitor.app.plans import Predicted, watch_plans
from monitor.app.recorder import Recorder
from monitor.app.station import Station
from monitor.app.tidy import tidy
from monitor.journal.store import Journal
from monitor.records import Moment, PulseReading, Reading, TemperatureReading
from monitor.settings.load import load
from tests.bench.figure import Figure

TARGET_MB = 20.0
DAY_S = 86400
BEFORE_DAYS = 20
_DISK_MB = 256
_NUMBERS = 6  # of a sample: two times, flow, clean flow, temperature, qualities
_ROOT = Path(__file__).resolve().parents[2]
_SERVE = "import sys; from tests.bench.flash_wear import live_a_day; live_a_day(sys.argv[1], sys.argv[2])"
_CONFIGURATION = """
[site]
id = "bench"
[storage]
folder = "{state}"
{storage}
keep_minutes_days = 15 # fewer than by default, so that as much is dropped a day as is written
[filters.left]
flow_sensor = {{ pin = 17 }}
probe = {{ rom_id = "28-0123456789ab" }}
"""


class NoDiskError(Exception):
    """The temporary folder is not on a disk, so nothing that is written can be seen."""


def measure(own_disk: bool = True, storage: str = "") -> list[Figure]:
    """Live the days, if wanted on a disk of their own where that can be had.

    Raises:
        NoDiskError: not possible here.
    """
    with tempfile.TemporaryDirectory() as name, _disk(Path(name), own_disk) as (folder, device):
        file = Path(name) / "canister.toml"
        file.write_text(
            _CONFIGURATION.format(state=folder / "state", storage=storage), encoding="utf-8"
        )
        done = subprocess.run(
            [sys.executable, "-c", _SERVE, str(file), device], cwd=_ROOT, capture_output=True,
            text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise RuntimeError(done.stderr)
        told = json.loads(done.stdout)
    charged, sent = told["charged"] / 1e6, told["sent"] / 1e6
    if not told["charged"]:
        raise NoDiskError(f"{tempfile.gettempdir()} is no disk; set TMPDIR to a folder on one")
    worst = max(charged, sent)
    least = told["samples"] * _NUMBERS * 8 / 1e6
    on_disk = f", {sent:.1f} MB on the block device" if device else ", no block device of its own"
    return [
        Figure(
            f"flash wear of a day at rest, {told['commits']} commits",
            f"{charged:.1f} MB by the process{on_disk}",
            f"{least:.1f} MB ({told['samples']} samples' numbers)",
            f"{worst / least:.0f}",
            f"{TARGET_MB:g} MB",
            worst < TARGET_MB,
        )
    ]


@contextlib.contextmanager
def _disk(folder: Path, wanted: bool) -> Iterator[tuple[Path, str]]:
    """A fresh ext4 on a loop device and the device's name; without the rights a plain folder."""
    image, place = folder / "disk.img", folder / "disk"
    place.mkdir()
    device = ""
    if wanted and os.geteuid() == 0 and shutil.which("mkfs.ext4"):
        with image.open("wb") as out:
            out.truncate(_DISK_MB * 1_000_000)
        # All tables are written now, none later by the kernel while we count.
        made = ["mkfs.ext4", "-q", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image)]
        tried = [
            subprocess.run(command, capture_output=True, text=True, check=False)
            for command in (made, ["losetup", "--find", "--show", str(image)])
        ]
        device = "" if any(t.returncode for t in tried) else tried[-1].stdout.strip()
    if device:
        mounted = subprocess.run(["mount", device, str(place)], capture_output=True, check=False)
        if mounted.returncode:
            subprocess.run(["losetup", "--detach", device], check=True)
            device = ""
    try:
        yield place, Path(device).name
    finally:
        if device:
            subprocess.run(["umount", str(place)], check=True)
            subprocess.run(["losetup", "--detach", device], check=True)


class _Days:
    """The daemon's parts on invented readings."""

    def __init__(self, file: Path) -> None:
        tree = load(file, sound=False).tree
        self._storage = tree.storage
        self.folder = Path(tree.storage.folder)
        self.journal = Journal(self.folder)
        self._station = Station(watch_plans(tree, {"left": Predicted(600 / 3.6e6, 1.0)}))
        self._recorder = Recorder(self.journal, self._station, tree.storage)
        self._noise = random.Random(1)
        self._syncfs = ctypes.CDLL(None, use_errno=True).syncfs
        self._handle = os.open(self.folder, os.O_RDONLY)
        self.commits = 0
        self._seen = 0

    def pass_by(self, from_s: int, until_s: int, every_s: int, own_disk: bool) -> None:
        """Let time pass; sync after each commit, if the disk is ours alone."""
        wal = Path(f"{self.journal.file}-wal")
        for time_s in range(from_s, until_s, every_s):
            now = Moment(float(time_s), float(time_s))
            events = self._recorder.orders(now)
            events += self._station.tick(self._readings(time_s, every_s), now)
            self._recorder.take(now, events)
            if time_s % 3600 < every_s:
                tidy(self.journal, self._storage, float(time_s), ())
            stamp = wal.stat().st_mtime_ns
            if stamp != self._seen:
                self._seen = stamp
                self.commits += 1
                if own_disk:
                    self.sync()

    def sync(self) -> None:
        """Have all that waits written to the disk."""
        if self._syncfs(self._handle):
            raise OSError(ctypes.get_errno(), "syncfs")

    def _readings(self, time_s: int, span_s: int) -> list[Reading]:
        warm = 25.0 + 0.4 * math.sin(2 * math.pi * time_s / DAY_S) + self._noise.gauss(0, 0.03)
        rate = 75.0 * (1.0 - 0.05 * time_s / (30 * DAY_S))  # it fouls a little, as filters do
        pulses = round(self._noise.gauss(rate * span_s, math.sqrt(span_s)))
        return [PulseReading("left", float(span_s), pulses), TemperatureReading("left", warm)]


def live_a_day(file: str, device: str) -> None:
    """Live the days and print what the last one wrote, as JSON."""
    days, begin = _Days(Path(file)), BEFORE_DAYS * DAY_S
    days.pass_by(0, begin, 60, False)
    if device:
        days.sync()
    days.commits = 0
    samples = _samples(days.journal.file)
    charged, sent = _charged(), _sent(device)
    days.pass_by(begin, begin + DAY_S, 1, bool(device))
    print(
        json.dumps(
            {
                "charged": _charged() - charged,
                "sent": _sent(device) - sent,
                "commits": days.commits,
                "samples": _samples(days.journal.file) - samples,
            }
        )
    )


def _samples(file: Path) -> int:
    link = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    count = int(link.execute("SELECT MAX(seq) FROM samples").fetchone()[0])
    link.close()
    return count


def _charged() -> int:
    """Bytes that this process has caused to be written."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(next(x for x in lines if x.startswith("write_bytes")).split()[1])


def _sent(device: str) -> int:
    """Bytes that the block device was sent: sectors of 512 bytes, the seventh figure."""
    if not device:
        return 0
    return 512 * int(Path(f"/sys/block/{device}/stat").read_text(encoding="ascii").split()[6])
