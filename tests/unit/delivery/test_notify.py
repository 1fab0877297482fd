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

from monitor.delivery.notify import Addresses, NotifySink
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
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                sent = self.rfile.read(int(self.headers["Content-Length"]))
                if phone.answer == 200:
                    phone.got.append(json.loads(sent))
                self.send_response(phone.answer)
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
    journal: Journal, phones: tuple[Phone, Phone], clock: At, hours: QuietHours | None = NIGHT
) -> NotifySink:
    first, second = phones
    addresses = Addresses((first.address,), (second.address,))
    made = NotifySink(lambda: addresses, "Cellar", journal, hours, zone=UTC, clock=clock)
    made.open()
    return made


def test_a_stop_goes_out_at_night_and_what_can_wait_goes_out_in_the_morning(
    journal: Journal, phones: tuple[Phone, Phone]
) -> None:
    clock = At(23)
    one = sink(journal, phones, clock)
    due = entry(1, alarm=AlarmKind.CLEANING_DUE)
    assert one.deliver([due, entry(2), entry(3, announce=False)]) == 3
    assert phones[0].titles() == ["Cellar, left: flow stopped"]
    assert "Look." in phones[0].got[0]["message"]
    # A restart in the night forgets nothing.
    again = sink(journal, phones, clock)
    assert again.deliver([]) == 0
    clock.hour = 8
    assert again.deliver([]) == 0
    assert phones[0].titles()[1:] == ["Cellar, left: cleaning due"]
    assert sink(journal, phones, clock).deliver([]) == 0
    assert len(phones[0].got) == 2, "told once"


def test_nobody_having_acknowledged_the_second_channel_is_told(
    journal: Journal, phones: tuple[Phone, Phone]
) -> None:
    one = sink(journal, phones, At(12))
    one.deliver([entry(1), entry(2, event=EventKind.ESCALATED)])
    assert len(phones[0].got) == len(phones[1].got) == 1
    assert "nobody has acknowledged" in phones[1].titles()[0]


def test_one_address_that_fails_is_tried_again_and_the_other_not_bothered_twice(
    journal: Journal, phones: tuple[Phone, Phone]
) -> None:
    both = Addresses((phones[0].address, phones[1].address))
    one = NotifySink(lambda: both, "Cellar", journal, None, zone=UTC)
    one.open()
    phones[1].answer = 500
    with pytest.raises(MachineError, match="1 of 2 addresses did not take a message"):
        one.deliver([entry(1)])
    assert one.deliver([entry(0, announce=False), entry(1)]) == 1, "what went before is settled"
    phones[1].answer = 200
    assert one.deliver([entry(1)]) == 1
    assert (len(phones[0].got), len(phones[1].got)) == (1, 1)


def test_an_unknown_kind_of_address_is_told_without_its_secret(journal: Journal) -> None:
    one = NotifySink(lambda: Addresses(("nonsense://secret@x",)), "Cellar", journal)
    with pytest.raises(MachineError, match="begins with nonsense://") as caught:
        one.open()
    assert "secret" not in str(caught.value)
    assert "secret" not in repr(Addresses(("json://secret@x",)))


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
