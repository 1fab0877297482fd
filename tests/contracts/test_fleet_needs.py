"""The work list's figures are those of the sites and of the books, over a real Redis."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.app.fleet.needs import needs, to_bring, usual_days
from monitor.fleet.business import Client, Consequence, FilterFacts
from monitor.hub.books.books import Books
from monitor.hub.state import State
from tests.support.real_redis import RealRedis
from tests.support.sites import BEGAN_UTC_S, DAY_S, Site
from tests.unit.fleet.test_fold import everything, memory


@pytest.fixture
def state(tmp_path: Path) -> Iterator[State]:
    (tmp_path / "redis").mkdir()
    server = RealRedis(tmp_path / "redis")
    server.start()
    yield State(server.link(), "fleet", 4)
    server.kill()


@pytest.fixture
def books(tmp_path: Path) -> Iterator[Books]:
    opened = Books(tmp_path / "books", lambda: BEGAN_UTC_S)
    opened.clients.add(Client("harbour", "Harbour rooms (invented)"), "ada")
    opened.clients.add(Client("hill", "Hill house (invented)"), "ada")
    opened.sites.enrol("home", "harbour", "Home", "quay 4", "ada")
    opened.sites.enrol("shop", "hill", "Shop", "", "ada")
    opened.sites.enrol("gone", "hill", "Gone", "", "ada")
    opened.sites.revoke("gone", "ada")
    opened.filters.put(
        FilterFacts("home", "tank_0", pads="20 ppi, 3 pieces", consequence=Consequence.HIGH), "ada"
    )
    opened.filters.put(FilterFacts("shop", "attic", bring="carbon 1 L"), "ada")
    yield opened
    opened.close()


def test_every_filter_that_is_looked_after_is_on_the_list(state: State, books: Books) -> None:
    home, gone = Site("home", 1, 20), Site("gone", 2, 20)
    wanted = everything(home.messages + gone.messages)
    state.apply(wanted)
    now_s = BEGAN_UTC_S + 21 * DAY_S
    found = {(one.site, one.filter): one for one in needs(state, books, now_s)}
    assert set(found) == {("home", "tank_0"), ("home", "tank_1"), ("shop", "attic")}
    first = found["home", "tank_0"]
    assert (first.place, first.client, first.weight) == ("quay 4", "harbour", 2.0)
    assert first.bring == ("pads 20 ppi, 3 pieces",)
    last_s = max(m.at_s for m in home.messages if m.topic.endswith("tank_0/state"))
    assert first.age_days == pytest.approx(21 - last_s / DAY_S, abs=1e-4)
    assert first.cleaning_due is not None
    assert first.share_of_clean == pytest.approx(0.8, abs=0.1)
    unheard = found["shop", "attic"]
    assert (unheard.place, unheard.cleaning_due) == ("place not known", None)
    standing = {
        key.split("|")[1]: score
        for key, score in memory(wanted).indexes["standing"].items()
        if key.startswith("home|")
    }
    for name in ("tank_0", "tank_1"):
        assert (found["home", name].stopped_hours is not None) is (name in standing)


def test_only_one_client(state: State, books: Books) -> None:
    assert [one.site for one in needs(state, books, BEGAN_UTC_S, ("hill",))] == ["shop"]


def test_the_usual_cycle_is_the_median_and_two_goes_are_one() -> None:
    day = DAY_S
    assert usual_days([0.0, 30 * day, 30.2 * day, 70 * day, 100 * day]) == pytest.approx(30.0)
    assert usual_days([5.0]) is None
    assert usual_days([]) is None


def test_a_lamp_is_brought_two_weeks_before_its_hours_are_up() -> None:
    facts = FilterFacts("home", "left", lamp_installed="2026-01-01", lamp_rated_h=9000.0)
    new_s = 1767225600.0  # 2026-01-01T00:00:00Z
    assert to_bring(facts, new_s + 360 * DAY_S) == ()
    assert to_bring(facts, new_s + 362 * DAY_S) == ("UV lamp (9000 h are up)",)
