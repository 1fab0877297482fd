"""What each answer of a time-series server makes of the rows: taken, waiting, refused or set aside."""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.delivery.dispatcher import Dispatcher, Later, RowRejected
from monitor.delivery.influx import InfluxSink, Server, look, seconds_from
from monitor.delivery.line_protocol import Dialect, sample_line
from monitor.errors import MachineError, Refused
from monitor.journal.history import SampleLedger
from monitor.journal.store import Journal
from monitor.records import Moment, Quality, SampleRow
from monitor.runtime.backoff import Backoff
from tests.conftest import until
from tests.support.timeseries import Answer, Gate

TOKEN = "secret-of-the-house"
HOME = Dialect("fish_room", "canister")


def row(seq: int) -> SampleRow:
    return SampleRow(
        seq, "left", Moment(float(seq), 1.7e9 + seq), 1e-4, Quality.GOOD, 2e-4, 25.0, Quality.GOOD
    )


def number(line: str) -> int:
    return int(line.rsplit(" ", 1)[1]) // 10**9 - 1_700_000_000


class Answers:
    """Answers by the numbers of the lines that come."""

    def __init__(self) -> None:
        self.bad: set[int] = set()
        self.always: Answer | None = None
        self.taken: set[int] = set()

    def __call__(self, asked: dict[str, str], lines: list[str]) -> Answer:
        if self.always is not None:
            return self.always
        numbers = {number(x) for x in lines}
        if numbers & self.bad:
            return 400, {}, f'{{"code":"invalid","message":"no\\nto {min(numbers & self.bad)}"}}'
        self.taken |= numbers
        return 204, {}, ""


@pytest.fixture
def answers() -> Answers:
    return Answers()


@pytest.fixture
def gate(answers: Answers) -> Iterator[Gate]:
    made = Gate(answers)
    yield made
    made.close()


@pytest.fixture
def sink(gate: Gate) -> Iterator[InfluxSink[SampleRow]]:
    made: InfluxSink[SampleRow] = InfluxSink(
        "influx_samples",
        lambda: Server(gate.url, "home", "water", TOKEN),
        lambda r: sample_line(r, HOME),
    )
    made.open()
    yield made
    made.close(True)


def test_a_batch_goes_in_one_request_with_nanoseconds(
    sink: InfluxSink[SampleRow], gate: Gate, answers: Answers
) -> None:
    rows = [row(n) for n in range(1, 501)]
    assert sink.deliver(rows) == 500
    assert answers.taken == set(range(1, 501))
    assert gate.asked == [
        {"path": "/api/v2/write", "org": "home", "bucket": "water", "precision": "ns"}
    ]
    assert gate.came[0][0] == sample_line(rows[0], HOME)
    assert gate.headers[0]["Authorization"] == f"Token {TOKEN}"
    assert sink.deliver([]) == 0
    assert len(gate.came) == 1


@pytest.mark.parametrize("status", [401, 403, 404, 405, 302])
def test_a_refusal_is_told_as_one(
    sink: InfluxSink[SampleRow], answers: Answers, status: int
) -> None:
    answers.always = (status, {}, f'{{"message":"token {TOKEN} unknown"}}')
    with pytest.raises(Refused) as told:
        sink.deliver([row(1)])
    assert str(status) in str(told.value)
    assert "influx.token_file" in str(told.value)
    assert TOKEN not in str(told.value)


@pytest.mark.parametrize("status", [408, 429, 500, 503])
def test_a_busy_server_is_asked_again(
    sink: InfluxSink[SampleRow], answers: Answers, status: int
) -> None:
    answers.always = (status, {}, "")
    with pytest.raises(MachineError) as told:
        sink.deliver([row(1)])
    assert not isinstance(told.value, Refused | RowRejected | Later)


def test_when_it_wants_to_be_asked_again_is_heard(
    sink: InfluxSink[SampleRow], answers: Answers
) -> None:
    answers.always = (429, {"Retry-After": "17"}, "")
    with pytest.raises(Later) as told:
        sink.deliver([row(1)])
    assert told.value.wait_s == 17.0


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        (None, None),
        ("120", 120.0),
        (" 0 ", 0.0),
        ("-5", None),
        ("soon", None),
        # The example of RFC 9110, section 10.2.3.
        ("Fri, 31 Dec 1999 23:59:59 GMT", 59.0),
        ("Fri, 31 Dec 1999 23:58:59 GMT", 0.0),
    ],
)
def test_both_forms_of_retry_after(header: str | None, seconds: float | None) -> None:
    assert seconds_from(header, datetime(1999, 12, 31, 23, 59, 0, tzinfo=UTC)) == seconds


@pytest.mark.parametrize("bad", [1, 2, 37, 99, 100])
def test_the_line_that_cannot_be_taken_is_found_and_those_before_it_are_there(
    sink: InfluxSink[SampleRow], answers: Answers, bad: int
) -> None:
    answers.bad = {bad}
    with pytest.raises(RowRejected) as told:
        sink.deliver([row(n) for n in range(1, 101)])
    assert told.value.settled == bad - 1
    assert answers.taken >= set(range(1, bad))
    assert f"to {bad}" in str(told.value)
    assert "\n" not in str(told.value)


def test_a_server_that_takes_no_line_at_all_is_a_refusal_not_a_loss(
    sink: InfluxSink[SampleRow], answers: Answers
) -> None:
    answers.always = (400, {}, '{"message":"bucket name is invalid"}')
    found = []
    for first in range(1, 12):
        with pytest.raises(MachineError) as told:
            sink.deliver([row(n) for n in range(first, 12)])
        found.append(type(told.value))
    assert found == [RowRejected] * 3 + [Refused] * 8
    answers.always = None
    assert sink.deliver([row(1)]) == 1


def test_what_is_too_old_for_the_server_holds_up_nothing(
    sink: InfluxSink[SampleRow], answers: Answers, caplog: pytest.LogCaptureFixture
) -> None:
    # The words of InfluxDB 1.x, coordinator/points_writer.go; the others of the batch are written.
    answers.always = (
        400,
        {},
        '{"error":"partial write: points beyond retention policy dropped=1"}',
    )
    assert sink.deliver([row(1), row(2)]) == 2
    assert sink.deliver([row(3)]) == 1
    assert sum("older than the server keeps" in r.message for r in caplog.records) == 1


def test_nobody_there_is_one_line_without_a_secret() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound and not listening: refused
        url = f"http://127.0.0.1:{taken.getsockname()[1]}"
        sink: InfluxSink[SampleRow] = InfluxSink(
            "x", lambda: Server(url, "", "water", TOKEN), lambda r: sample_line(r, HOME)
        )
        sink.open()
        with pytest.raises(MachineError, match="does not answer") as told:
            sink.deliver([row(1)])
        assert look(Server(url, "", "water", TOKEN)) is not None
        sink.close(True)
    assert "\n" not in str(told.value)
    assert TOKEN not in str(told.value)
    assert TOKEN not in repr(Server(url, "", "water", TOKEN))


def test_any_answer_shows_that_somebody_is_there(gate: Gate) -> None:
    assert look(Server(gate.url, "", "water", "")) is None


@pytest.fixture
def serve(
    sink: InfluxSink[SampleRow], tmp_path: Path
) -> Iterator[Callable[[int], tuple[Dispatcher[SampleRow], SampleLedger, Journal]]]:
    running: list[tuple[Dispatcher[SampleRow], Journal]] = []

    def start(count: int) -> tuple[Dispatcher[SampleRow], SampleLedger, Journal]:
        journal = Journal(tmp_path)
        put_samples(journal, count)
        ledger = SampleLedger(journal)
        dispatcher = Dispatcher(ledger, sink, Backoff(0.01, 0.02), what="samples")
        running.append((dispatcher, journal))
        dispatcher.start()
        return dispatcher, ledger, journal

    yield start
    for dispatcher, journal in running:
        dispatcher.halt(0.0)
        journal.close()


def put_samples(journal: Journal, count: int) -> None:
    with journal.guarded("write", transaction=True) as link:
        link.executemany(
            "INSERT INTO samples (filter, line_s, utc_s, synchronised, flow_m3_per_s, quality, "
            "clean_m3_per_s, temperature_c, temperature_quality) VALUES "
            "('left', ?, ?, 1, 1e-4, 'good', 2e-4, 25.0, 'good')",
            [(float(n), 1.7e9 + n) for n in range(1, count + 1)],
        )


Serve = Callable[[int], tuple[Dispatcher[SampleRow], SampleLedger, Journal]]


def test_bad_rows_are_set_aside_and_all_others_arrive(
    serve: Serve, answers: Answers, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    answers.bad = {5, 6, 150, 299}
    dispatcher, ledger, journal = serve(300)
    assert until(lambda: ledger.undelivered("influx_samples") == 0)
    assert answers.taken == set(range(1, 301)) - answers.bad
    assert [seq for sink, seq, _ in journal.aside() if sink == "influx_samples"] == [5, 6, 150, 299]
    assert sum("is set aside" in r.message for r in caplog.records) == 4
    assert not dispatcher.refused
    assert TOKEN not in caplog.text


def test_a_refusal_holds_everything_until_it_is_mended(serve: Serve, answers: Answers) -> None:
    answers.always = (401, {}, "unauthorized")
    dispatcher, ledger, journal = serve(10)
    assert until(lambda: dispatcher.refused)
    assert not dispatcher.health().working
    assert ledger.undelivered("influx_samples") == 10
    answers.always = None
    assert until(lambda: ledger.undelivered("influx_samples") == 0)
    assert not dispatcher.refused
    assert journal.aside() == []


def test_a_server_that_asks_for_time_is_left_alone(
    serve: Serve, answers: Answers, gate: Gate
) -> None:
    answers.always = (503, {"Retry-After": "3600"}, "")
    dispatcher, _, _ = serve(10)
    assert until(lambda: not dispatcher.health().working)
    asked = len(gate.came)
    assert not until(lambda: len(gate.came) > asked, within_s=1.0)


def test_what_a_newer_program_wrote_is_not_trusted(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    put_samples(journal, 1)
    with journal.guarded("write", transaction=True) as link:
        link.execute("UPDATE samples SET quality = 'sparkling'")
    (found,) = SampleLedger(journal).entries_after(0, 10)
    assert found.flow_quality is Quality.MISSING
    journal.close()
