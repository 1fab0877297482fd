"""An invented fleet's history on a real server: rehearsals of the rig, sent by our own sinks.

    python -m tests.support.invented_history FOLDER [DAYS]

starts Debian's InfluxDB, fills it, draws the dashboards into FOLDER, and stops it again.
"""

from __future__ import annotations

import sys
import tempfile
import threading
from pathlib import Path

from monitor.app.rehearsal import START_UTC_S, Rehearsal, Script, scenario
from monitor.delivery.dispatcher import Dispatcher
from monitor.delivery.influx import InfluxSink
from monitor.delivery.influx import Server as Where
from monitor.delivery.line_protocol import Dialect, event_line, sample_line
from monitor.journal.history import SampleLedger
from monitor.journal.store import Journal
from monitor.records import Entry, Order, SampleRow
from monitor.runtime.backoff import Backoff
from monitor.sensing.faults import Fault, FaultName
from monitor.settings.model import SettingsTree
from tests.support.timeseries import Gate, Influx1, compatible, serving

DATABASE = "history"
DAY_S = 86400.0


def invented(name: str, filters: int) -> SettingsTree:
    """Return the rehearsal's settings with another site and more filters of the same kind."""
    tree = scenario(None)
    one = next(iter(tree.filters.values()))
    names = ("left", "right", "high")[:filters]
    return tree.model_copy(
        update={
            "site": tree.site.model_copy(update={"id": name, "name": name.replace("_", " ")}),
            "filters": dict.fromkeys(names, one),
        }
    )


def faults(days: float) -> tuple[Fault, ...]:
    """A stop of ninety minutes, hours of a probe and a wire that fail, a stop that still stands."""
    return (
        Fault(FaultName.STALL, 0.3 * days * DAY_S, 0.3 * days * DAY_S + 5400),
        Fault(FaultName.NOISY_WIRE, 0.5 * days * DAY_S, 0.5 * days * DAY_S + 6 * 3600),
        Fault(FaultName.STALL, days * DAY_S - 3600, days * DAY_S),
    )


def live(tree: SettingsTree, folder: Path, days: float, seed: int, bad: bool) -> Journal:
    """Play a site's days into a journal and return it; once, somebody acknowledges and cleans."""
    script = Script(days=days, seed=seed, faults=faults(days) if bad else (), coarse_s=60.0)
    rehearsal = Rehearsal(tree, script, folder, None, lambda _: None)
    name = next(iter(tree.filters))
    at_s = 0.3 * days * DAY_S
    clean_s = 0.7 * days * DAY_S
    rehearsal._rigs[name].clean_at(clean_s, 720.0)
    rehearsal._deeds += [
        (at_s + 900, Order("acknowledge", name, by="Ada")),
        (clean_s - 60, Order("maintenance", name, 30.0, by="Ada")),
        (clean_s + 720, Order("cleaned", name, by="Ada")),
    ]
    rehearsal.run()
    rehearsal.close()
    return Journal(folder)


def send(journal: Journal, site: str, url: str) -> None:
    """Send all of a journal, as the daemon does."""
    where, dialect = (
        Where(url, "", f"{DATABASE}/autogen", ""),
        Dialect(site, "canister", True, True),
    )
    sinks: tuple[tuple[object, InfluxSink[Entry] | InfluxSink[SampleRow]], ...] = (
        (journal, InfluxSink("influx", lambda: where, lambda e: event_line(e, dialect))),
        (SampleLedger(journal),
         InfluxSink("influx_samples", lambda: where, lambda s: sample_line(s, dialect), 5000)),
    )  # fmt: skip
    for ledger, sink in sinks:
        done = threading.Event()
        one = Dispatcher(ledger, sink, Backoff(0.05, 0.2))  # type: ignore[arg-type]
        one.start()
        for _ in range(1200):
            if one.drained() or done.wait(0.05):
                break
        assert one.drained(), one.health().line
        one.halt(0.0)
    assert journal.aside() == []


def fill(influx: Influx1, folder: Path, days: float) -> float:
    """Fill a server with two sites, three filters and one; return the wall clock of the end."""
    influx.post("/query", "", q=f"CREATE DATABASE {DATABASE}")
    gate: Gate = compatible(influx)
    try:
        for seed, (name, filters) in enumerate((("fish_room", 3), ("hall", 1)), 1):
            journal = live(invented(name, filters), folder / name, days, seed, seed == 1)
            send(journal, name, gate.url)
            journal.close()
    finally:
        gate.close()
    return START_UTC_S + days * DAY_S


def main() -> None:
    """Fill, draw, look."""
    from dashboards.description import DASHBOARDS
    from dashboards.draw import Place, chosen, draw

    pictures, days = Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 40.0
    pictures.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        influx = Influx1(Path(name))
        with serving(influx):
            until_s = fill(influx, Path(name), days)
            for called, dashboard in DASHBOARDS.items():
                place = Place(influx.url, DATABASE, until_s - days * DAY_S, until_s, {})
                place.names |= chosen(dashboard, place, {"filter": "left"})
                draw(dashboard, place, pictures / f"{called}.png")
                print(pictures / f"{called}.png")


if __name__ == "__main__":
    main()
