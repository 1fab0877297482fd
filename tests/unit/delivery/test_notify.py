"""Messages to people: through apprise itself to a web server of the test's own."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import msgspec
import pytest

from monitor.delivery.notify import Address, NotifySink
from monitor.delivery.ping import ping
from monitor.delivery.quiet import QuietHours
from monitor.errors import MachineError
from monitor.journal.store import Journal
from monitor.records import AlarmKind, Entry, EventKind
from tests.unit.delivery.test_quiet import STOP

NIGHT = QuietHours(time(22, 0), time(7, 0))


class Phone:
    """A web server that keeps what it is sent, and can be told to answer with an error."""

    def __init__(self) -> None:
        self.got: list[dict[str, Any]] = []
        self.answer = 200
        self.fail_after: int | None = None
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                sent = self.rfile.read(int(self.headers["Content-Length"]))
                full = phone.fail_after is not None and len(phone.got) >= phone.fail_after
                answer = 500 if full else phone.answer
                if answer == 200:
                    phone.got.append(json.loads(sent))
                self.send_response(answer)
                self.end_headers()

            def do_GET(self) -> None:
                phone.got.append({"path": self.path})
                self.send_response(phone.answer)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        self.thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self.thread.start()

    @property
    def address(self) -> str:
        return f"json://127.0.0.1:{self.port}/"

    def titles(self) -> list[str]:
        return [g["title"] for g in self.got]


@pytest.fixture
def phones() -> Iterator[tuple[Phone, Phone]]:
    made = Phone(), Phone()
    yield made
    for phone in made:
        phone.server.shutdown()
        phone.server.server_close()


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    made = Journal(tmp_path)
    yield made
    made.close()


def entry(seq: int, **changes: Any) -> Entry:
    return Entry(seq, "r", True, msgspec.structs.replace(STOP, **changes))


class At:
    """A wall clock at a time of the day."""

    def __init__(self, hour: int) -> None:
        self.hour = hour

    def __call__(self) -> float:
        return datetime(2026, 3, 1, self.hour, 30, tzinfo=UTC).timestamp()


def sink(
    journal: Journal,
    phone: Phone,
    clock: At,
    hours: QuietHours | None = NIGHT,
    second: bool = False,
    alone: bool = True,
) -> NotifySink:
    address = Address(phone.address, second)
    made = NotifySink(address, "Cellar", journal, alone, hours, zone=UTC, clock=clock)
    made.open()
    return made


def test_a_stop_goes_out_at_night_and_what_can_wait_goes_out_in_the_morning(
    journal: Journal, phones: tuple[Phone, Phone]
) -> None:
    clock = At(23)
    one = sink(journal, phones[0], clock)
    due = entry(1, alarm=AlarmKind.CLEANING_DUE)
    assert one.deliver([due, entry(2), entry(3, announce=False)]) == 3
    assert phones[0].titles() == ["Cellar, left: flow stopped"]
    assert "Look." in phones[0].got[0]["message"]
    # A restart in the night forgets nothing.
    again = sink(journal, phones[0], clock)
    assert again.deliver([]) == 0
    clock.hour = 8
    assert again.deliver([]) == 0
    assert phones[0].titles()[1:] == ["Cellar, left: cleaning due"]
    assert sink(journal, phones[0], clock).deliver([]) == 0
    assert len(phones[0].got) == 2, "told once"


def test_what_waited_is_not_sent_twice_and_holds_up_nothing(
    journal: Journal, phones: tuple[Phone, Phone]
) -> None:
    clock = At(23)
    one = sink(journal, phones[0], clock)
    one.deliver([entry(1, alarm=AlarmKind.CLEANING_DUE), entry(2, alarm=AlarmKind.DISK_FILLING)])
    clock.hour = 8
    phones[0].fail_after = 2
    with pytest.raises(MachineError):
        one.deliver([entry(3)])
    assert phones[0].titles() == ["Cellar, left: flow stopped", "Cellar, left: cleaning due"]
    phones[0].fail_after = None
    one.deliver([])
    assert phones[0].titles()[2:] == ["Cellar, left: disk filling"]


def test_nobody_having_acknowledged_the_second_channel_is_told(
    journal: Journal, phones: tuple[Phone, Phone]
) -> None:
    word = [entry(1), entry(2, event=EventKind.ESCALATED), entry(3, alarm=AlarmKind.TEST)]
    first = sink(journal, phones[0], At(12), alone=False)
    second = sink(journal, phones[1], At(12), second=True, alone=False)
    assert first.deliver(word) == second.deliver(word) == 3
    assert phones[0].titles() == ["Cellar, left: flow stopped", "Cellar, left: test"]
    assert "nobody has acknowledged" in phones[1].titles()[0]
    assert phones[1].titles()[1:] == ["Cellar, left: test"], "a test goes every way"
    sink(journal, phones[0], At(12)).deliver([entry(4, event=EventKind.ESCALATED)])
    assert len(phones[0].got) == 3, "without a second channel the first is told"


def test_an_address_that_fails_is_tried_again_from_where_it_failed(
    journal: Journal, phones: tuple[Phone, Phone]
) -> None:
    one = sink(journal, phones[0], At(12))
    phones[0].answer = 500
    with pytest.raises(MachineError, match="did not take a message"):
        one.deliver([entry(1)])
    assert one.deliver([entry(0, announce=False), entry(1)]) == 1, "what went before is settled"
    phones[0].answer = 200
    assert one.deliver([entry(1)]) == 1
    assert len(phones[0].got) == 1


def test_what_the_journal_cannot_take_is_told_at_once_and_not_again(
    journal: Journal, phones: tuple[Phone, Phone]
) -> None:
    one = sink(journal, phones[0], At(23))
    one.tell_early([entry(0), entry(0, announce=False)])
    one.tell_early([entry(0)])
    assert phones[0].titles() == ["Cellar, left: flow stopped"]
    assert one.deliver([entry(7), entry(8, occurrence=2)]) == 2
    assert len(phones[0].got) == 2


def test_an_unknown_kind_of_address_is_told_without_its_secret(journal: Journal) -> None:
    for text in ("nonsense://secret@x", "mailto:ada:secret@x"):
        one = NotifySink(Address(text), "Cellar", journal)
        with pytest.raises(MachineError, match="of no kind that apprise knows") as caught:
            one.open()
        assert "secret" not in str(caught.value)
        assert "secret" not in repr(Address(text)) + one.name


def test_the_outside_sign_of_life(phones: tuple[Phone, Phone]) -> None:
    phone = phones[0]
    ping(f"http://127.0.0.1:{phone.port}/invented-secret")
    assert phone.got == [{"path": "/invented-secret"}]
    phone.answer = 404
    with pytest.raises(MachineError, match="answers 404") as caught:
        ping(f"http://127.0.0.1:{phone.port}/invented-secret")
    assert "secret" not in str(caught.value)
    with pytest.raises(MachineError, match="not reached"):
        ping("http://127.0.0.1:1/x")
    for address in ("no address", "file:///etc/hostname", "ftp://127.0.0.1/x"):
        with pytest.raises(MachineError, match="begins with https://"):
            ping(address)
