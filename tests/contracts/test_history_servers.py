"""History on real servers: all of it arrives, once, over an outage, and a second time changes nothing.

VictoriaMetrics is asked over its own /api/v2/write. Debian's InfluxDB 1.6 stands behind the endpoint that
1.8 has (tests/support/timeseries.py) and is asked in InfluxQL.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from monitor.delivery.dispatcher import Dispatcher
from monitor.delivery.influx import InfluxSink
from monitor.delivery.influx import Server as Where
from monitor.delivery.line_protocol import Dialect, event_line, sample_line
from monitor.journal.history import SampleLedger
from monitor.journal.store import Journal
from monitor.records import (
    AlarmKind,
    Cause,
    CleanBasis,
    Entry,
    Event,
    EventKind,
    Moment,
)
from monitor.runtime.backoff import Backoff
from tests.conftest import until
from tests.support.timeseries import Gate, Influx1, VictoriaMetrics, compatible, serving

MONTH_S = 30 * 86400
EVERY_S = 60  # of the invented samples: a month of them is 43,200


@pytest.fixture
def metrics(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    (tmp_path / "metrics").mkdir()
    server = VictoriaMetrics(tmp_path / "metrics")
    with serving(server):
        yield server


@pytest.fixture
def influx(tmp_path: Path) -> Iterator[Influx1]:
    (tmp_path / "influx").mkdir()
    server = Influx1(tmp_path / "influx")
    with serving(server):
        server.post("/query", "", q="CREATE DATABASE history")
        yield server


@pytest.fixture
def endpoint(influx: Influx1) -> Iterator[Gate]:
    made = compatible(influx)
    yield made
    made.close()


class House:
    """A journal with history in it, and dispatchers that take it to a server."""

    def __init__(self, folder: Path, url: str, bucket: str, texts: bool) -> None:
        self.journal = Journal(folder)
        where = Where(url, "", bucket, "")
        dialect = Dialect("fish_room", "canister", texts)
        self._events: InfluxSink[Entry] = InfluxSink(
            "influx", lambda: where, lambda e: event_line(e, dialect)
        )
        self._samples: InfluxSink[Any] = InfluxSink(
            "influx_samples", lambda: where, lambda s: sample_line(s, dialect), 5000
        )
        self.running: list[Dispatcher[Any]] = []
        self.count = 0

    def live(self, first_utc_s: float, count: int) -> None:
        """Put down samples, the flow of each its own number in L/h, every tenth unknown."""
        rows = [
            (
                first_utc_s + n * EVERY_S,
                first_utc_s + n * EVERY_S,
                None if n % 10 == 9 else float(n) / 3.6e6,
                "missing" if n % 10 == 9 else "good",
            )
            for n in range(count)
        ]
        with self.journal.guarded("write", transaction=True) as link:
            link.executemany(
                "INSERT INTO samples (filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, "
                "clean_m3_per_s, temperature_c, temperature_quality) "
                "VALUES ('left', ?, ?, 1, ?, ?, 2e-4, 25.0, 'good')",
                rows,
            )

    def happen(self, utc_s: float, kinds: Sequence[EventKind]) -> None:
        """Put down events, all of the same instant."""
        events = [
            Event("left", kind, utc_s, utc_s, AlarmKind.FLOW_STOPPED, 2, 0.0, 2e-4, CleanBasis.MEASURED,
                  25.0, Cause.BLOCKED, 'a "trickle", 9 %', "look", active=kind is EventKind.RAISED)
            for kind in kinds
        ]  # fmt: skip
        self.journal.record(Moment(utc_s, utc_s), events=events)

    def open(self) -> None:
        ledger = SampleLedger(self.journal)
        self.running = [
            Dispatcher(self.journal, self._events, Backoff(0.05, 0.2)),
            Dispatcher(ledger, self._samples, Backoff(0.05, 0.2), what="samples"),
        ]
        for one in self.running:
            one.start()

    def shut(self) -> None:
        for one in self.running:
            one.halt(0.0)
        self.running = []

    def drained(self, within_s: float = 60.0) -> bool:
        return until(lambda: all(one.drained() for one in self.running), within_s)

    def forget(self) -> None:
        """All goes out once more."""
        for sink in ("influx", "influx_samples"):
            self.journal.move_cursor(sink, 0)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Callable[[str, str, bool], House]]:
    made: list[House] = []

    def build(url: str, bucket: str, texts: bool) -> House:
        made.append(House(tmp_path / f"house{len(made)}", url, bucket, texts))
        return made[-1]

    yield build
    for one in made:
        one.shut()
        one.journal.close()


Build = Callable[[str, str, bool], House]


def month_ago() -> float:
    return float(int(time.time()) // 60 * 60 - MONTH_S)


def test_a_month_without_the_server_fills_itself_in_afterwards(
    metrics: VictoriaMetrics, house: Build
) -> None:
    home, began = house(metrics.url, "canister", False), month_ago()
    home.live(began, 100)
    home.open()
    assert home.drained()
    metrics.get("/internal/force_flush")
    metrics.process.terminate()  # type: ignore[union-attr]
    metrics.process.wait()  # type: ignore[union-attr]
    home.live(began + 100 * EVERY_S, 43_000)
    home.happen(began + 200 * EVERY_S, [EventKind.RAISED, EventKind.ESCALATED])
    assert until(lambda: not home.running[1].health().working)
    assert not home.running[1].refused
    metrics.start()
    assert home.drained()
    first = metrics.points('{site="fish_room"}')
    flow = first["__name__=canister_sample_flow_l_per_h", "filter=left", "site=fish_room"]
    wanted = [(began + n * EVERY_S, float(n)) for n in range(100) if n % 10 != 9]
    wanted += [(began + (100 + n) * EVERY_S, float(n)) for n in range(43_000) if n % 10 != 9]
    assert flow == wanted, "nothing is missing, nothing is 0 that was not, no text became a number"
    assert metrics.invalid_rows() == 0
    assert not [labels for labels in first if "quality" in labels[0] or "evidence" in labels[0]]
    trusted = first["__name__=canister_sample_flow_trusted", "filter=left", "site=fish_room"]
    assert sum(value for _, value in trusted) == len(wanted)
    raised = [labels for labels in first if labels[0] == "__name__=canister_event_occurrence"]
    assert len(raised) == 2, "two events of one instant stay apart"
    # Twice over.
    home.shut()
    home.forget()
    home.open()
    assert home.drained()
    metrics.get("/internal/force_flush")
    assert metrics.points('{site="fish_room"}') == first


def test_the_same_in_influxql_with_words(influx: Influx1, endpoint: Gate, house: Build) -> None:
    home, began = house(endpoint.url, "history/autogen", True), month_ago()
    home.live(began, 100)
    home.open()
    assert home.drained()
    influx.kill()
    home.live(began + 100 * EVERY_S, 12_000)
    home.happen(began + 200 * EVERY_S, [EventKind.RAISED, EventKind.ESCALATED])
    assert until(lambda: not home.running[1].health().working)
    influx.start()
    assert home.drained()

    def answers() -> list[Any]:
        return [
            influx.rows(question)
            for question in (
                "SELECT flow_l_per_h FROM canister_sample",
                "SELECT count(*) FROM canister_sample",
                "SELECT * FROM canister_event",
                "SELECT mean(flow_l_per_h) / mean(clean_l_per_h) AS share FROM canister_sample "
                "WHERE site = 'fish_room' GROUP BY time(1d), \"filter\" fill(none)",
            )
        ]

    first = answers()
    flows, counts, events, shares = first
    wanted = [n for n in range(100) if n % 10 != 9] + [n for n in range(12_000) if n % 10 != 9]
    assert [r["flow_l_per_h"] for r in flows] == [float(n) for n in wanted]
    assert counts[0]["count_quality"] == 12_100
    assert [r["event"] for r in events] == ["raised", "escalated"]
    assert {r["evidence"] for r in events} == {'a "trickle", 9 %'}
    assert events[0]["flow_l_per_h"] == 0
    assert len(shares) >= 8
    types = {
        r["fieldKey"]: r["fieldType"] for r in influx.rows("SHOW FIELD KEYS FROM canister_event")
    }
    assert types["occurrence"] == "integer"
    assert types["flow_l_per_h"] == "float"
    assert types["evidence"] == "string"
    assert types["active"] == "boolean"
    home.shut()
    home.forget()
    home.open()
    assert home.drained()
    assert answers() == first


def test_a_type_that_does_not_fit_is_set_aside_alone(
    influx: Influx1, endpoint: Gate, house: Build
) -> None:
    """Somebody else's text stands where one hour's flow would go; a shard keeps one type a field."""
    home = house(endpoint.url, "history/autogen", True)
    old = float(int(time.time()) - 400 * 86400)
    home.live(old, 2)
    home.live(time.time() - 7200, 100)
    clash = f'canister_sample,site=fish_room,filter=left flow_l_per_h="much" {int(old) * 10**9 + 5}'
    assert influx.post("/write", clash, db="history", precision="ns") == 204
    home.open()
    assert home.drained()
    aside = [(seq, why) for sink, seq, why in home.journal.aside() if sink == "influx_samples"]
    assert [seq for seq, _ in aside] == [1, 2]
    assert all("field type conflict" in why for _, why in aside)
    count = influx.rows("SELECT count(temperature_c) FROM canister_sample")[0]["count"]
    assert count == 100


def test_an_unknown_database_is_a_refusal(endpoint: Gate, house: Build) -> None:
    home = house(endpoint.url, "elsewhere/autogen", True)
    home.live(time.time() - 7200, 10)
    home.open()
    assert until(lambda: home.running[1].refused)
    assert "404" in home.running[1].health().line
    assert home.journal.aside() == []
