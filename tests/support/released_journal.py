"""Makes the journal that a release leaves on a card, for tests/unit/journal/test_upgrade.py.

    .venv/bin/python -m tests.support.released_journal

Run it in the checkout of a release, once, when its journal has another version than the one before;
it writes tests/unit/journal/released/RELEASE.sqlite and the configuration beside it. The water is
the rehearsal's: 26 days with learning, a stall and a cleaning. Then an order that nobody has carried
out is put down, and all but the newest samples are dropped to keep the file small.
"""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

from monitor import __version__
from monitor.journal.file import FILE_NAME
from monitor.journal.store import Journal
from monitor.records import Order

ROOT = Path(__file__).resolve().parents[2]
RELEASED = ROOT / "tests/unit/journal/released"
_KEPT_SAMPLES = 30


def make(target: Path) -> None:
    """Write the journal and its configuration beside one another."""
    settings = ROOT / "monitor/app/rehearsal.toml"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        subprocess.run(
            [sys.executable, "-m", "monitor", "rehearse", "--days", "26", "--seed", "1",
             "--fault", "stall@19d+90m", "--folder", str(folder), "--config", str(settings)],
            check=True, cwd=ROOT, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        journal = Journal(folder)
        journal.order(Order("cleaned", "long_tank"))
        journal.close()
        link = sqlite3.connect(folder / FILE_NAME)
        link.execute(
            "DELETE FROM samples WHERE seq NOT IN (SELECT seq FROM samples ORDER BY seq DESC LIMIT ?)",
            (_KEPT_SAMPLES,),
        )
        link.commit()
        link.execute("VACUUM")
        link.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        link.close()
        shutil.copy(folder / FILE_NAME, target)
        shutil.copy(settings, target.with_suffix(".toml"))


if __name__ == "__main__":
    RELEASED.mkdir(exist_ok=True)
    make(RELEASED / f"{__version__}.sqlite")
