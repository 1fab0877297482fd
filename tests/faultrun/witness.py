"""The daemon as `canister run` starts it, with a witness beside its journal.

    python -m tests.faultrun.witness CONFIG WITNESS-FILE

Each time the journal has said that a record is written, the witness appends one line to a file of its
own: what was acknowledged. A write(2) is kept by the kernel when the process is killed, so that the
file stands for the outside world, which has been told and relies on it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from monitor.app.daemon import Daemon
from monitor.app.plans import Predicted
from monitor.app.prediction import predicted_by_child
from monitor.commands.run import log_to_standard_error
from monitor.journal.store import Journal
from monitor.records import Event, Moment, Sample
from monitor.settings.load import load


def acknowledging(into: int) -> None:
    """Let every record that the journal says is written be told to a file descriptor."""
    record = Journal.record

    def told(
        self: Journal,
        now: Moment,
        events: Sequence[Event] = (),
        samples: Sequence[Sample] = (),
        *rest: Any,
        **named: Any,
    ) -> None:
        keys = [[e.filter_id, e.line_s, e.event, e.alarm, e.occurrence] for e in events]
        taken = [[s.seen.filter_id, s.moment.line_s] for s in samples]
        record(self, now, events, samples, *rest, **named)
        line = {"run": self.run, "events": keys, "samples": taken}
        os.write(into, msgspec.json.encode(line) + b"\n")

    Journal.record = told  # type: ignore[method-assign]


def predicted_once(file: Path) -> dict[str, Predicted | None]:
    """What the sizing model says, asked once for all starts of one site, so that starts are quick."""
    kept = file.with_suffix(".predicted")
    if not kept.exists():
        fresh = kept.with_suffix(f".{os.getpid()}")
        fresh.write_bytes(msgspec.json.encode(predicted_by_child(file)))
        fresh.replace(kept)
    return msgspec.json.decode(kept.read_bytes(), type=dict[str, Predicted | None])


def main() -> None:
    file, witness = Path(sys.argv[1]), Path(sys.argv[2])
    log_to_standard_error()
    tree = load(file, sound=False).tree
    acknowledging(os.open(witness, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644))
    Daemon(tree, predicted_once(file)).run()


if __name__ == "__main__":
    main()
