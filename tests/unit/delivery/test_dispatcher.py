"""One failure makes one line; what is not acknowledged is tried again; nothing is skipped."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence

import pytest

from monitor.delivery.dispatcher import Dispatcher
from monitor.errors import BrokerError, StorageError
from monitor.records import (
    AlarmKind,
    Cause,
    CleanBasis,
    Entry,
    Event,
    EventKind,
)
from monitor.runtime.backoff import Backoff
from tests.conftest import until


def entry(seq: int) -> Entry:
    event = Event("left", EventKind.RAISED, 1.0, 1.0, AlarmKind.FLOW_LOW, 1, 1e-4, 2e-4,
                  CleanBasis.MEASURED, None, Cause.AIR, "seen", "do")  # fmt: skip
    return Entry(seq, "run", True, event)


class Rows:
    """A journal in memory."""

    def __init__(self, count: int) -> None:
        self.entries = [entry(n + 1) for n in range(count)]
        self.position = 0

    def entries_after(self, position: int, limit: int) -> list[Entry]:
        return [e for e in self.entries if e.seq > position][:limit]

    def cursor(self, sink: str) -> int:
        return self.position

    def move_cursor(self, sink: str, position: int) -> None:
        assert position > self.position
        self.position = position

    def undelivered(self, sink: str) -> int:
        return len(self.entries) - self.position


class Fickle:
    """A sink that fails as told; `got` is what certainly arrived."""

    name, batch = "fickle", 100

    def __init__(self) -> None:
        self.got: list[int] = []
        self.opened = self.closed = 0
        self.open_fails = 0
        self.deliver_fails: Exception | None = None
        self.takes = 10**9

    def open(self) -> None:
        self.opened += 1
        if self.open_fails:
            self.open_fails -= 1
            raise BrokerError("broker away")

    def deliver(self, entries: Sequence[Entry]) -> int:
        if self.deliver_fails is not None:
            error, self.deliver_fails = self.deliver_fails, None
            raise error
        settled = entries[: self.takes]
        self.got += [e.seq for e in settled]
        return len(settled)

    def close(self, on_purpose: bool) -> None:
        self.closed += 1


@pytest.fixture
def serve() -> Iterator[Callable[[Rows, Fickle], Dispatcher]]:
    running: list[Dispatcher] = []

    def start(rows: Rows, sink: Fickle) -> Dispatcher:
        dispatcher = Dispatcher(rows, sink, Backoff(0.01, 0.02))
        running.append(dispatcher)
        dispatcher.start()
        return dispatcher

    yield start
    for dispatcher in running:
        dispatcher.halt(0.0)


Serve = Callable[[Rows, Fickle], Dispatcher]


def test_everything_in_order_once(serve: Serve) -> None:
    rows, sink = Rows(237), Fickle()
    serve(rows, sink)
    assert until(lambda: rows.position == 237)
    assert sink.got == list(range(1, 238))


def test_a_sink_that_is_away_makes_one_line_and_its_return_another(
    serve: Serve, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    rows, sink = Rows(3), Fickle()
    sink.open_fails = 6
    dispatcher = serve(rows, sink)
    assert until(lambda: rows.position == 3)
    assert until(lambda: dispatcher.health().working)
    texts = [r.message for r in caplog.records]
    assert sum("broker away" in t for t in texts) == 1
    assert sum("works again" in t for t in texts) == 1


def test_a_part_that_arrived_is_not_sent_again(serve: Serve) -> None:
    rows, sink = Rows(5), Fickle()
    sink.takes = 2
    serve(rows, sink)
    assert until(lambda: rows.position == 5)
    assert sink.got == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("error", [BrokerError("gone"), ValueError("a bug in a sink")])
def test_after_a_failure_the_sink_is_opened_anew(serve: Serve, error: Exception) -> None:
    rows, sink = Rows(2), Fickle()
    sink.deliver_fails = error
    serve(rows, sink)
    assert until(lambda: rows.position == 2)
    assert sink.opened == 2
    assert sink.closed >= 1


def test_news_is_not_kept_waiting(serve: Serve) -> None:
    rows, sink = Rows(0), Fickle()
    dispatcher = serve(rows, sink)
    assert until(lambda: sink.opened == 1)
    rows.entries.append(entry(1))
    dispatcher.wake()
    assert until(lambda: rows.position == 1, within_s=0.5, every_s=0.005)


def test_trouble_is_told_with_what_becomes_of_the_events(serve: Serve) -> None:
    rows, sink = Rows(1), Fickle()
    sink.open_fails = 10**6
    dispatcher = serve(rows, sink)
    assert until(lambda: not dispatcher.health().working)
    health = dispatcher.health()
    assert health.line == "broker away"
    assert "journal" in health.remedy


def test_halt_before_start_is_harmless() -> None:
    Dispatcher(Rows(0), Fickle(), Backoff()).halt(0.0)


class Unwell(Rows):
    """A journal on a disk that fails to read or to write as told."""

    reads = writes = True

    def cursor(self, sink: str) -> int:
        if not self.reads:
            raise StorageError("journal: cannot read")
        return super().cursor(sink)

    def move_cursor(self, sink: str, position: int) -> None:
        if not self.writes:
            raise StorageError("journal: cannot write: disk full")
        super().move_cursor(sink, position)


def test_what_stands_is_shown_though_the_journal_cannot_be_read(
    serve: Serve, caplog: pytest.LogCaptureFixture
) -> None:
    rows, sink = Unwell(3), Counting()
    rows.reads = False
    dispatcher = serve(rows, sink)
    assert until(lambda: sink.empty >= 2)
    assert (sink.opened, sink.closed) == (1, 0), "the session is no part of that trouble"
    assert not dispatcher.health().working
    rows.reads = True
    assert until(lambda: rows.position == 3)
    assert until(lambda: dispatcher.health().working)
    assert caplog.text.count("cannot read") == 1


def test_what_arrived_is_not_sent_again_because_the_disk_is_full(serve: Serve) -> None:
    rows, sink = Unwell(3), Counting()
    rows.writes = False
    dispatcher = serve(rows, sink)
    assert until(lambda: sink.empty >= 2)
    assert sink.got == [1, 2, 3]
    rows.writes = True
    assert until(lambda: rows.position == 3)
    rows.entries += [entry(4)]
    dispatcher.wake()
    assert until(lambda: rows.position == 4)
    assert sink.got == [1, 2, 3, 4]


class Counting(Fickle):
    """Counts how often it was called with nothing new, to show what stands."""

    empty = 0

    def deliver(self, entries: Sequence[Entry]) -> int:
        self.empty += not entries
        return super().deliver(entries)
