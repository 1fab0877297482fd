"""Notes and absences reach people once, over the real Redis and beside it fakeredis."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import fakeredis
import msgspec
import pytest
import redis

from monitor.errors import MachineError
from monitor.fleet.fold import Seen, effects
from monitor.fleet.messages import read, utc_s
from monitor.fleet.notices import Notice, note_of
from monitor.hub.state import State
from monitor.hub.streams import Stream
from monitor.hub.teller import Teller
from monitor.hub.watcher import Watcher
from tests.support.real_redis import RealRedis
from tests.support.sites import BEGAN_UTC_S, DAY_S, Site


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealRedis]:
    made = RealRedis(tmp_path_factory.mktemp("redis"))
    made.start()
    yield made
    made.kill()


@pytest.fixture(params=["real", "fake"])
def link(request: pytest.FixtureRequest, server: RealRedis) -> redis.Redis:
    if request.param == "fake":
        return fakeredis.FakeRedis()
    found = server.link()
    found.flushall()
    return found


class Book:
    """Stands in for the ledger on disk, which has tests of its own."""

    def __init__(self) -> None:
        self.claimed: set[str] = set()
        self.lapsed: set[str] = set()
        self.settled: set[str] = set()

    def claim(self, notification: str, patience_s: float) -> bool:
        if notification in self.claimed - self.lapsed:
            return False
        self.claimed.add(notification)
        return True

    def is_claimed(self, notification: str) -> bool:
        return notification in self.claimed - self.settled

    def is_told(self, notification: str) -> bool:
        return notification in self.settled

    def settle(self, notification: str) -> None:
        self.settled.add(notification)

    def forget_told(self, before_utc_s: float) -> int:
        return 0

    def let_go(self, notification: str) -> None:
        self.claimed.discard(notification)


class Desk:
    """A teller with everything it needs; `heard` is what people got."""

    def __init__(self, link: redis.Redis, book: Book | None = None, who: str = "hub-1") -> None:
        self.state = State(link, "fleet", 2)
        self.book = book or Book()
        self.heard: list[Notice] = []
        self.fail = False
        self.now_s = BEGAN_UTC_S
        stream = Stream(link, self.state, "notes", who)
        self.teller = Teller(
            self.state, stream, self.book, self._tell, who, 8.0, clock=lambda: self.now_s
        )

    def _tell(self, notice: Notice) -> None:
        if self.fail:
            raise MachineError("notify: nobody takes it")
        self.heard.append(notice)


def notes(site: Site, event: str = "raised") -> list[str]:
    return [b.decode() for b in site.events.values() if f'"event":"{event}"'.encode() in b]


def put(state: State, site: Site) -> list[str]:
    """Let all messages of a site come; return the ids of what people must hear."""
    told = []
    for sent in site.messages:
        name, message = read(sent.topic, sent.payload, "canister")
        wanted = effects(name, message, BEGAN_UTC_S + sent.at_s, sent.retain)
        told += [note_of(e.note).id for e in wanted if isinstance(e, Seen) and e.note]
        state.apply(wanted)
    return told


def test_the_notes_of_a_site_that_come_together_are_one_message(link: redis.Redis) -> None:
    desk = Desk(link)
    told = put(desk.state, Site("home", 1, 20)) + put(desk.state, Site("shop", 2, 20))
    desk.teller.turn(100.0)
    assert desk.heard == []
    desk.teller.turn(108.5)
    assert {n.site for n in desk.heard} == {"home", "shop"}
    assert len(desk.heard) == 2
    assert sorted(note.id for n in desk.heard for note in n.notes) == sorted(told)
    assert desk.book.settled == set(told)
    desk.teller.turn(200.0)
    assert len(desk.heard) == 2


def test_a_site_that_joins_with_years_behind_it_tells_only_of_the_last_weeks(
    link: redis.Redis,
) -> None:
    desk = Desk(link)  # its clock stands at the beginning of the site's time
    old = Site("home", 3, 20)
    told = set(put(desk.state, old))
    desk.now_s = BEGAN_UTC_S + 50 * DAY_S
    desk.teller.turn(0.0)
    desk.teller.turn(9.0)
    heard = [note for n in desk.heard for note in n.notes]
    assert {note.id for note in heard} < told
    assert heard
    assert all(utc_s(note.time) > BEGAN_UTC_S + 5 * DAY_S for note in heard)
    assert len(desk.heard[0].body.splitlines()) <= 21
    assert sum(int(link.xlen(f"{base}notes")) for base in desk.state.bases()) == 0


def test_what_was_told_is_not_told_again_after_the_memory_was_lost(link: redis.Redis) -> None:
    desk = Desk(link)
    site = Site("home", 1, 20)
    told = put(desk.state, site)
    desk.teller.turn(0.0)
    desk.teller.turn(9.0)
    link.flushall()
    put(desk.state, site)
    desk.teller.turn(20.0)
    desk.teller.turn(40.0)
    assert [note.id for n in desk.heard for note in n.notes].count(told[0]) == 1
    assert desk.state.rows_waiting() == 0
    assert sum(int(link.xlen(f"{base}notes")) for base in desk.state.bases()) == 0


def test_what_nobody_takes_is_told_later(link: redis.Redis) -> None:
    desk = Desk(link)
    told = put(desk.state, Site("home", 1, 20))
    desk.fail = True
    desk.teller.turn(0.0)
    with pytest.raises(MachineError):
        desk.teller.turn(9.0)
    desk.fail = False
    desk.teller.turn(20.0)
    assert sorted(note.id for n in desk.heard for note in n.notes) == sorted(told)


def test_a_teller_that_starts_again_tells_what_it_had_only_taken_as_new(link: redis.Redis) -> None:
    first = Desk(link)
    told = put(first.state, Site("home", 1, 20))
    first.teller.turn(0.0)  # taken, and the process dies
    second = Desk(link)
    second.teller.turn(0.0)
    second.teller.turn(9.0)
    assert sorted(note.id for n in second.heard for note in n.notes) == sorted(told)
    assert all("perhaps told before" not in n.body for n in second.heard)


def test_what_a_dead_teller_had_claimed_is_told_when_its_claim_has_lapsed(
    link: redis.Redis,
) -> None:
    desk = Desk(link)
    told = put(desk.state, Site("home", 1, 20))
    desk.book.claimed.add(told[0])  # and then its process died
    desk.teller.turn(0.0)
    desk.teller.turn(9.0)
    assert told[0] not in [note.id for n in desk.heard for note in n.notes]
    desk.book.lapsed.add(told[0])
    desk.teller.turn(80.0)
    assert [note.id for note in desk.heard[-1].notes] == [told[0]]
    assert "perhaps told before" in desk.heard[-1].body


def test_a_claim_that_lapsed_while_nobody_served_says_that_it_may_have_been_told(
    link: redis.Redis,
) -> None:
    book = Book()
    first = Desk(link, book)
    told = put(first.state, Site("home", 1, 20))
    book.claimed.add(told[0])
    book.lapsed.add(told[0])
    second = Desk(link, book)
    second.teller.turn(0.0)
    second.teller.turn(9.0)
    (notice,) = second.heard
    assert sorted(note.id for note in notice.notes) == sorted(told)
    assert notice.body.count("perhaps told before") == 1


def test_a_note_that_cannot_be_read_holds_up_none(link: redis.Redis) -> None:
    desk = Desk(link)
    link.xadd(f"{desk.state.base(0)}notes", {"site": "x", "note": "{"})
    told = put(desk.state, Site("home", 1, 20))
    desk.teller.turn(0.0)
    desk.teller.turn(9.0)
    assert len(desk.heard[0].notes) == len(told)
    assert desk.state.refused() == {"note cannot be read": 1}


class Hill:
    """A hub that watches, on a clock of its own."""

    def __init__(self, link: redis.Redis, places: dict[str, str] | None = None) -> None:
        self.now_s = BEGAN_UTC_S
        self.state = State(link, "fleet", 2)
        self._link = link
        self.watcher = Watcher(
            self.state, "hub-1", 3.0, 300.0, lambda: places or {}, lambda: self.now_s
        )

    def beat(self, site: str, run: str = "a", word: str = "online", **more: Any) -> None:
        """A sign of life and the presence that goes with it, now."""
        presence = {
            "format": 1, "presence": word, "journal": "j", "run": run, "time": None, "version": "1",
            "began_line_s": 10.0 if run == "a" else 5000.0, "connection": 1,
        }  # fmt: skip
        stamp = time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(self.now_s))
        beat: dict[str, Any] = {
            "format": 1, "time": stamp, "line_s": self.now_s - BEGAN_UTC_S + 1, "journal": "j", "run": run,
            "clock_synchronised": True, "site": site, "sequence": 0, "next_within_s": 60.0,
            "version": "1", "alarms": [], "running": ["left"], "not_running": [], **more,
        }  # fmt: skip
        for topic, body in (("presence", presence), ("heartbeat", beat)):
            if topic == "heartbeat" and word != "online":
                continue
            name, message = read(f"canister/{site}/{topic}", msgspec.json.encode(body), "canister")
            self.state.apply(effects(name, message, self.now_s, False))

    def watch(self, span_s: float, beating: tuple[str, ...] = ()) -> None:
        """Let time pass in steps of ten seconds."""
        until = self.now_s + span_s
        while self.now_s < until:
            self.now_s += 10.0
            for site in beating:
                self.beat(site)
            self.watcher.turn()

    def said(self) -> list[tuple[str, str, str]]:
        found = []
        for base in self.state.bases():
            for _, fields in self._link.xrange(f"{base}notes"):
                note = note_of(fields[b"note"].decode())
                found.append((note.site, note.what, note.words))
        return found


def test_a_site_that_falls_silent_is_told_once_and_again_when_it_is_back(link: redis.Redis) -> None:
    hill = Hill(link)
    for site in ("home", "shop"):
        hill.beat(site)
    hill.watch(60, ("home", "shop"))
    assert hill.said() == []
    hill.watch(900, ("shop",))
    assert [(s, w) for s, w, _ in hill.said()] == [("home", "silent")]
    hill.watch(120, ("home", "shop"))
    assert [(s, w) for s, w, _ in hill.said()] == [("home", "silent"), ("home", "heard-again")]
    assert "only the connection was gone" in hill.said()[1][2]


def test_a_restart_is_told_apart_from_a_lost_line(link: redis.Redis) -> None:
    hill = Hill(link)
    for site in ("home", "shop"):
        hill.beat(site)
    hill.watch(900, ("shop",))
    hill.beat("home", run="b")
    hill.watch(20, ("shop",))
    assert "nobody watched meanwhile" in hill.said()[-1][2]


def test_a_copied_card_is_told_though_everybody_is_heard(link: redis.Redis) -> None:
    hill = Hill(link)
    for _ in range(30):
        hill.now_s += 600.0
        hill.beat("home", run="a")
        hill.beat("home", run="b")
        hill.watcher.turn()
        hill.watcher.turn()
    assert [(s, w) for s, w, _ in hill.said()] == [("home", "two-boards-under-one-name")]


def test_a_clock_that_is_wrong_wakes_nobody_and_is_noted(link: redis.Redis) -> None:
    hill = Hill(link)
    hill.beat("home", time="2020-01-01T00:00:00.000Z")
    hill.watcher.turn()
    hill.watcher.turn()
    assert hill.said() == []
    assert "clock wrong" in hill.state.absences()["home"]


def test_a_clean_stop_wakes_nobody(link: redis.Redis) -> None:
    hill = Hill(link)
    for site in ("home", "shop"):
        hill.beat(site)
    hill.beat("home", word="stopped")
    hill.watch(3600, ("shop",))
    assert hill.said() == []


def test_a_power_cut_of_a_whole_place_is_one_matter(link: redis.Redis) -> None:
    hill = Hill(link, {"a": "harbour", "b": "harbour", "c": "hill"})
    for site in ("a", "b", "c"):
        hill.beat(site)
    hill.watch(900, ("c",))
    assert [(s, w) for s, w, _ in hill.said()] == [("a", "place-silent")]
    assert "2 sites at harbour" in hill.said()[0][2]


def test_a_hub_that_hears_nobody_says_that_alone(link: redis.Redis) -> None:
    hill = Hill(link)
    for site in ("a", "b", "c"):
        hill.beat(site)
    hill.watch(900)
    assert {(s, w) for s, w, _ in hill.said()} == {("", "hub-hears-nobody")}


def test_after_its_own_absence_the_hub_first_listens(link: redis.Redis) -> None:
    hill = Hill(link)
    for site in ("a", "b", "c"):
        hill.beat(site)
    hill.watch(60, ("a", "b", "c"))
    hill.now_s += 86400.0  # the hub was off for a day
    hill.watch(60, ())
    hill.watch(300, ("a", "b", "c"))
    assert hill.said() == []
