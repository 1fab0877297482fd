"""October 2026 of two clients' sites, told by the sites' own payloads and written as a hub writes it.

Worked out by hand, all UTC. A state every five minutes, clean flow 800 L/h.

harbour, site quay:
    left   704 L/h at 25 °C. No flow on 6 October 06:00 to 08:00, acknowledged by robin after 15 minutes.
           Cleaned by robin on 20 October 11:00; from then 792 L/h, learned as clean at 14:00. Due as of its last
           state (31 October 23:55) in 7 to 15 days, most likely 10.
    right  640 L/h, no temperature.
harbour, site shop:
    tank   600 L/h; nothing at all from 10 October 00:00 to 12 October 12:00. Of then, power gone came later.
hill, site hall:
    pond   500 L/h from 16 October 00:00, when it was enrolled; flow low raised on 17 October 10:00 in a journal that
           was lost with its card; the new one began on 18 October.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from monitor.app.fleet.history import Line
from monitor.app.fleet.lines import lines_of
from monitor.delivery import payloads
from monitor.delivery.influx import InfluxSink, Server
from monitor.delivery.topics import Topics
from monitor.fleet.business import Client, FilterFacts, Person, Role
from monitor.fleet.messages import read
from monitor.hub.books.books import Books
from monitor.records import (
    AlarmKind,
    AlarmState,
    Assessment,
    Cause,
    CleanBasis,
    Event,
    EventKind,
    Moment,
    Outlook,
    Quality,
)

FIRST_S = datetime(2026, 10, 1, tzinfo=UTC).timestamp()
HOUR_S, DAY_S = 3600.0, 86400.0
EVERY_S = 300.0
LITRE = 1 / 3.6e6


def at(day: int, hour: float = 0.0) -> float:
    """A time of October, UTC in seconds."""
    return FIRST_S + (day - 1) * DAY_S + hour * HOUR_S


class Board:
    """One site that tells what it sees; `sent` are its messages by topic."""

    def __init__(self, site: str, journal: str = "a0") -> None:
        self.site, self.journal = site, journal
        self.topics = Topics("canister", site)
        self._sequence = 0
        self.sent: list[tuple[str, bytes]] = []

    def _whole(self, fields: dict[str, Any]) -> bytes:
        more = {"site": self.site, "journal": self.journal, "run": "r0"}
        return msgspec.json.encode(fields | more)

    def states(
        self, name: str, begin_s: float, end_s: float, flow: float, clean: float = 800.0,
        warm: float | None = None, ahead: Outlook | None = None,
    ) -> None:  # fmt: skip
        """A state every five minutes, flows in L/h."""
        count = round((end_s - begin_s) / EVERY_S)
        for n in range(count):
            utc_s = begin_s + n * EVERY_S
            good = Quality.GOOD if warm is not None else Quality.DISCONNECTED
            seen = Assessment(name, 1.0, flow * LITRE, Quality.GOOD, flow * LITRE, flow * LITRE, clean * LITRE,
                              CleanBasis.MEASURED, warm, good, 0.0, True)  # fmt: skip
            fields = payloads.state(
                seen, Moment(utc_s - FIRST_S + DAY_S, utc_s), {}, {}, "held", False, ahead
            )
            self.sent.append((self.topics.state(name), self._whole(fields)))

    def event(
        self, name: str, kind: EventKind, utc_s: float, alarm: AlarmKind | None = None, **other: Any
    ) -> None:
        """Something that happened; its line of time is the wall clock's, a day later."""
        self._sequence += 1
        fields: dict[str, Any] = {
            "filter_id": name, "event": kind, "line_s": utc_s - FIRST_S + DAY_S, "utc_s": utc_s, "alarm": alarm,
            "occurrence": 1 if alarm else 0, "flow_m3_per_s": 0.0, "clean_m3_per_s": 800 * LITRE,
            "clean_basis": CleanBasis.MEASURED, "temperature_c": 25.0, "cause": Cause.NONE, "evidence": "",
            "advice": "", "state": AlarmState.UNACKNOWLEDGED if alarm else AlarmState.NORMAL,
        }  # fmt: skip
        body = payloads.identified(
            payloads.event(Event(**(fields | other))), self.site, self.journal, "r0", self._sequence
        )
        self.sent.append((self.topics.events, body))


def quay() -> Board:
    """The site of two filters: a stop and a cleaning."""
    board, end = Board("quay"), at(32)
    board.states("left", at(1), at(6, 6), 704, warm=25.0)
    board.states("left", at(6, 6), at(6, 8), 0, warm=25.0)
    board.states("left", at(6, 8), at(20, 11), 704, warm=25.0)
    board.states("left", at(20, 11), at(20, 14), 792, warm=25.0)
    ahead = Outlook(7 * DAY_S, 10 * DAY_S, 15 * DAY_S, True, "steady", 0.5)
    board.states("left", at(20, 14), end, 792, 792, 25.0, ahead)
    board.states("right", at(1), end, 640)
    stop = AlarmKind.FLOW_STOPPED
    board.event("left", EventKind.RAISED, at(6, 6), stop, cause=Cause.PUMP_OR_POWER, evidence="heron's words, it <cools>")  # fmt: skip
    board.event("left", EventKind.ACKNOWLEDGED, at(6, 6.25), stop, by="robin")
    board.event("left", EventKind.CLEARED, at(6, 8), stop)
    board.event(
        "left", EventKind.CLEANED, at(20, 11), by="robin", evidence="the filter was cleaned"
    )
    board.event("left", EventKind.CLEAN_FLOW_LEARNED, at(20, 14), clean_m3_per_s=792 * LITRE)
    board.event("", EventKind.DAILY, at(21, 8), evidence="all filters run")
    return board


def shop() -> Board:
    """The site that was away for two days and a half."""
    board = Board("shop")
    board.states("tank", at(1), at(10), 600)
    board.states("tank", at(12, 12), at(32), 600)
    board.event("", EventKind.RAISED, at(10, 0.01), AlarmKind.POWER_GONE, evidence="no mains")
    board.event("", EventKind.CLEARED, at(12, 12), AlarmKind.POWER_GONE)
    return board


def hall() -> list[Board]:
    """The other client's site, before and after its card was changed."""
    old, new = Board("hall", "b0"), Board("hall", "b1")
    old.states("pond", at(16), at(18), 500)
    old.event("pond", EventKind.RAISED, at(17, 10), AlarmKind.FLOW_LOW, cause=Cause.AIR, evidence="otter's words")  # fmt: skip
    new.states("pond", at(18), at(32), 500)
    new.event(
        "pond", EventKind.OBSERVED, at(19), cause=Cause.FLOW_STEP, evidence="otter saw a step"
    )
    return [old, new]


def written(boards: list[Board], server: Server) -> int:
    """Write what boards sent, as a hub does; return how many lines."""
    made = lines_of("canister", True)
    lines = list(_lines(boards, made))
    sink: InfluxSink[Line] = InfluxSink("history", lambda: server, lambda row: row.text, 5000)
    sink.open()
    for begin in range(0, len(lines), 5000):
        part = lines[begin : begin + 5000]
        assert sink.deliver(part) == len(part)
    sink.close(True)
    return len(lines)


def _lines(boards: list[Board], made: Any) -> Iterator[Line]:
    for board in boards:
        for topic, payload in board.sent:
            for text in made(*read(topic, payload, "canister")):
                yield Line(0, text)


def books_of(folder: Path) -> Books:
    """The books of the business on 1 September, but for hall, enrolled on 16 October."""
    now = [at(1) - 30 * DAY_S]
    books = Books(folder, lambda: now[0])
    for client, title in (
        ("harbour", "Harbour House"),
        ("hill", "Hill Rooms"),
        ("idle", "Idle & co"),
    ):
        books.clients.add(Client(client, title), "boss")
    books.people.add(Person("robin", "Robin of the workshop", Role.TECHNICIAN), "boss")
    books.sites.enrol("quay", "harbour", "Quay <4>", "Harbour Street", "boss")
    books.sites.enrol("shop", "harbour", "", "", "boss")
    now[0] = at(6, 6.1)
    books.ledger.assign("quay/left/flow-stopped/1", "robin", "boss")
    now[0] = at(16)
    books.sites.enrol("hall", "hill", "Hall", "Hill Road", "boss")
    books.filters.put(FilterFacts("hall", "pond", pads="otter pads"), "boss")
    return books
