"""The memory of a fleet in Redis is that of the plain fold; over the real server, which is the gate, and beside it fakeredis."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from pathlib import Path

import fakeredis
import pytest
import redis

from monitor.fleet.fold import Effect, Heard, Index, Memory, Newest, Put, Row, Seen, Settled
from monitor.hub.redis_link import StateError, connect, unfit
from monitor.hub.state import DeadLetter, State
from tests.support.real_redis import RealRedis
from tests.support.sites import Site
from tests.unit.fleet.test_fold import everything, memory


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


@pytest.fixture(params=[1, 5])
def state(request: pytest.FixtureRequest, link: redis.Redis) -> State:
    return State(link, "fleet", request.param)


def holds(state: State, wanted: Memory) -> None:
    """Every part of the memory is the same in Redis."""
    assert state.heard() == wanted.heard
    for name, index in wanted.indexes.items():
        assert state.index(name) == pytest.approx(index)
    sites = list(wanted.registers)
    found = state.many_registers(sites)
    for site, fields in zip(sites, found, strict=True):
        assert fields == wanted.registers[site]
        assert state.registers(site) == fields
    for (site, journal), numbers in wanted.seen.items():
        assert state.seen(site, journal) == numbers
    for (site, journal), newest in wanted.newest.items():
        assert state.missing(site, journal, newest) == wanted.missing(site, journal)


def test_redis_holds_what_the_fold_holds_in_any_order(state: State) -> None:
    wanted: list[Effect] = []
    for n in range(4):
        wanted += everything(Site(f"site_{n}", n, 5).messages)
    mixed = wanted + wanted[::3]
    random.Random(5).shuffle(mixed)
    for at in range(0, len(mixed), 37):
        state.apply(mixed[at : at + 37])
    holds(state, memory(wanted))


def test_a_batch_longer_than_one_call(state: State) -> None:
    wanted: list[Effect] = [Put("home", f"f{n:05d}", "1", "x") for n in range(3000)]
    wanted += [Seen("home", "j", n, f"note {n}") for n in range(1, 5001)]
    state.apply(wanted)
    assert len(state.registers("home")) == 3000
    assert state.missing("home", "j", 5000) == []


def test_notes_are_put_down_once_and_in_a_stream(state: State, link: redis.Redis) -> None:
    state.apply([Seen("home", "j", 1, "told ½"), Seen("home", "j", 1, "told ½")])
    state.apply([Seen("home", "j", 1, "told ½"), Seen("home", "j", 2)])
    notes = [
        fields[b"note"].decode()
        for base in state.bases()
        for _, fields in link.xrange(f"{base}notes")
    ]
    assert notes == ["told ½"]


def test_an_index_follows_its_register(state: State) -> None:
    member = "home|left|flow-stopped|j"
    state.apply([Put("home", "f", "2", "b", Index("standing", member, 5.0))])
    state.apply([Put("home", "f", "1", "a", Index("standing", member, 9.0))])
    assert state.index("standing") == {member: 5.0}
    assert state.index("standing", 4.0) == {}
    state.apply([Put("home", "f", "3", "c", Index("standing", member, None))])
    assert state.index("standing") == {}


def test_who_is_behind_is_asked_for_and_settled_when_it_answers(state: State) -> None:
    state.apply([Seen("home", "j", 1), Seen("home", "j", 3), Newest("home", "j", 5)])
    assert state.behind(10) == [("home", "j", 5)]
    assert state.behind(10) == []
    assert state.missing("home", "j", 5) == [2, 4, 5]
    state.apply([Settled("home", "j", 2, 4), Newest("home", "j", 5)])
    assert state.behind(10) == [("home", "j", 5)]
    assert state.missing("home", "j", 5) == [5]
    state.apply([Seen("home", "j", 5), Seen("home", "j", 4), Newest("home", "j", 5)])
    assert state.behind(10) == []


def test_history_waits_within_its_bounds_and_what_goes_is_counted(link: redis.Redis) -> None:
    state = State(link, "fleet", 1, most_rows=5)
    state.apply([Row("home", f"line {n}") for n in range(8)])
    assert (state.rows_waiting(), state.rows_dropped()) == (5, 3)
    assert link.xrange(f"{state.base(0)}rows")[0][1] == {b"line": b"line 3"}


def test_a_time_only_goes_up(state: State) -> None:
    state.apply([Heard("home", 7.0), Heard("home", 3.0), Heard("shop", 0.0)])
    assert state.heard() == {"home": 7.0, "shop": 0.0}
    assert state.heard(["shop", "nowhere"]) == {"shop": 0.0}


def test_what_is_not_taken_is_counted_and_can_be_looked_at(state: State) -> None:
    state.refuse([DeadLetter("no JSON", "canister/x/events", b"\xff{", "at byte 0")] * 3)
    assert state.refused() == {"no JSON": 3}
    assert state.dead_letters(1)[0]["topic"] == "canister/x/events"


def test_no_site_can_fill_the_memory(state: State) -> None:
    state.apply([Put("bad", f"field {n}", "1", "x") for n in range(5100)])
    state.apply([Seen("bad", f"journal{n}", 1) for n in range(60)])
    assert len(state.registers("bad")) == 5000
    assert state.overfull() == 110
    state.apply([Put("bad", "field 1", "2", "y"), Put("good", "f", "1", "x")])
    assert state.registers("bad")["field 1"] == ("2", "y")
    assert state.registers("good") == {"f": ("1", "x")}


def test_a_chore_belongs_to_one_worker_for_its_time(state: State) -> None:
    assert state.claim("fill", "hub-1", 60.0)
    assert not state.claim("fill", "hub-2", 60.0)
    assert state.claim("fill", "hub-1", 60.0)
    assert state.claim("look", "hub-2", 60.0)


def test_an_empty_memory_has_no_mark(state: State, link: redis.Redis) -> None:
    assert state.epoch() is None
    state.begin_fill("a")
    assert state.epoch() is None
    assert state.end_fill("a")
    assert state.epoch() == "a"
    link.flushall()
    assert state.epoch() is None


def test_many_writers_at_once_make_the_same_memory(server: RealRedis) -> None:
    """Real threads on the real server: nothing that one writes is overwritten by another's older."""
    server.link().flushall()
    wanted = [e for n in range(3) for e in everything(Site(f"s{n}", n, 4).messages)]
    failed: list[Exception] = []

    def write(seed: int) -> None:
        mine = list(wanted)
        random.Random(seed).shuffle(mine)
        own = State(server.link(), "fleet", 3)
        try:
            for at in range(0, len(mine), 11):
                own.apply(mine[at : at + 11])
        except StateError as error:
            failed.append(error)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    holds(State(server.link(), "fleet", 3), memory(wanted))


def test_a_redis_that_is_away_is_told_in_one_line(tmp_path: Path) -> None:
    state = State(connect("redis://127.0.0.1:1/0", None, None), "fleet", 2)
    with pytest.raises(StateError, match=r"^redis: [^\n]*$"):
        state.apply([Heard("home", 1.0)])


def test_a_redis_that_forgets_is_not_fit(tmp_path: Path, server: RealRedis) -> None:
    assert unfit(server.link()) == []
    link = server.link()
    link.config_set("maxmemory-policy", "allkeys-lru")
    link.config_set("appendonly", "no")
    try:
        told = unfit(link)
    finally:
        link.config_set("maxmemory-policy", "noeviction")
        link.config_set("appendonly", "yes")
    assert len(told) == 2
    assert "noeviction" in told[0]
    assert "appendonly yes" in told[1]


def test_a_memory_that_is_lost_while_it_is_filled_is_not_called_filled(
    state: State, link: redis.Redis
) -> None:
    state.begin_fill("a")
    link.flushall()
    assert not state.end_fill("a")
    assert state.epoch() is None
    state.begin_fill("b")
    assert not state.end_fill("a")
    assert state.end_fill("b")
    assert not state.end_fill("b")
    assert state.epoch() == "b"
