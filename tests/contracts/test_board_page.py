"""The board page over a real Redis and real books: who sees what, and what becomes of a deed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.hub.broker import BrokerLost
from monitor.page.fleet.port import Standing
from tests.support.board import HOST, PASSWORD, Asker, World

# All that must never reach Clara, who sees the harbour's sites: site, name, place, client.
OF_THE_HILL = ("hall", "Hill", "upper road", "hill")
ROUTES = ("/", "/alarms", "/visits", "/audit", "/site/home", "/site/hall")


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.close()


def stopped(world: World, site: str) -> Standing:
    found = [a for a in world.board.picture().alarms if (a.site, a.filter) == (site, "tank_0")]
    assert len(found) == 1
    return found[0]


def deeds(world: World) -> list[tuple[str, str, str, str]]:
    return [(d.who, d.did, d.subject, d.detail) for d in world.books.trail.last(50)]


def test_nobody_sees_anything_without_a_login(world: World) -> None:
    stranger = Asker(world.app)
    for path in ROUTES:
        said = stranger.ask(path)
        assert (said.status, said.headers["location"]) == (303, "/login")
        assert said.body == b""
    said = stranger.act(do="acknowledge", site="home", alarm=stopped(world, "home").key)
    assert said.status == 401
    assert world.way.given == []


def test_a_client_sees_nothing_of_another_by_any_address_or_search(world: World) -> None:
    clara = Asker(world.app, "clara")
    own = stopped(world, "home")
    shown = clara.ask("/").text
    assert "Harbour home" in shown
    assert "Harbour shop" in shown
    assert "no pulse for 3 s" in clara.ask("/site/home").text
    queries = (
        "",
        "?q=hall",
        "?q=hill",
        "?trouble=1",
        "?q=upper+road",
        "?page=2",
        "?mine=1",
        "?q=tank",
    )
    asked = [f"{path}{query}" for path in ROUTES for query in queries]
    asked += ["/site/no_such", "/site/home/..", "/site/%68all", "/no/such"]
    for path in asked:
        said = clara.ask(path)
        for word in OF_THE_HILL:
            text = said.text.replace(f'value="{word}"', "").replace('value="upper road"', "")
            assert word not in text, f"{path}: {word}"
    assert clara.ask("/site/hall").status == clara.ask("/site/no_such").status == 404
    for path in ("/visits", "/audit"):
        assert clara.ask(path).status == 404
    assert {a.filter for a in (own,)} == {"tank_0"}
    # What is not there and what is another's answer alike, letter by letter.
    bodies = {clara.ask(p).text for p in ("/site/hall", "/site/no_such")}
    assert len(bodies) == 1


def test_a_client_acts_on_nothing(world: World) -> None:
    clara = Asker(world.app, "clara")
    assert "<button" in clara.ask("/alarms").text  # log out and find
    assert "/act" not in clara.ask("/alarms").text + clara.ask("/site/home").text
    for site, wanted in (("home", 403), ("hall", 404)):
        key = stopped(world, site).key
        for do in ("acknowledge", "assign"):
            assert clara.act(do=do, site=site, alarm=key, person="tom").status == wanted
    # Naming a site of one's own and the alarm of another does not help.
    said = clara.act(do="acknowledge", site="home", alarm=stopped(world, "hall").key)
    assert said.status == 404
    assert world.way.given == []
    assert world.books.ledger.assignments() == []


def test_a_site_that_moves_to_another_client_is_gone_at_once(world: World) -> None:
    clara, hans = Asker(world.app, "clara"), Asker(world.app, "hans")
    assert "Harbour shop" in clara.ask("/").text
    world.books.sites.move("shop", "test", "hill", None, None)  # no picture was made since
    assert "Harbour shop" not in clara.ask("/").text
    assert clara.ask("/site/shop").status == 404
    assert hans.ask("/site/shop").status == 200


def test_search_and_filter(world: World) -> None:
    tom = Asker(world.app, "tom")
    for words, wanted in (("HILL", {"Hill hall"}), ("quay harbour", {"Harbour home", "Harbour shop"}),
                          ("upper", {"Hill hall"}), ("nowhere", set())):  # fmt: skip
        text = tom.ask(f"/?q={words.replace(' ', '+')}").text
        shown = {
            name
            for name in ("Harbour home", "Harbour shop", "Hill hall")
            if f"</svg>{name}<" in text
        }
        assert shown == wanted
    # Evil words stay words.
    assert "<script>alert" not in tom.ask("/?q=%3Cscript%3Ealert(1)").text


def test_the_queue_is_by_urgency_then_age_and_an_alarm_can_be_given_to_somebody(
    world: World,
) -> None:
    tom = Asker(world.app, "tom")
    text = tom.ask("/alarms").text
    assert text.index('id="alarm-home-tank_0') < text.index('id="alarm-hall-tank_0')
    key = stopped(world, "hall").key
    said = tom.act(do="assign", site="hall", alarm=key, person="tom")
    assert (said.status, "Tom (invented) looks after it now." in said.text) == (200, True)
    assert [(a.alarm, a.person, a.by) for a in world.books.ledger.assignments()] == [
        (key, "tom", "tom")
    ]
    mine = tom.ask("/alarms?mine=1").text
    assert "Hill hall" in mine
    assert "Harbour home" not in mine
    assert tom.act(do="assign", site="hall", alarm=key, person="clara").status == 400
    assert tom.act(do="assign", site="hall", alarm=key, person="").status == 200
    assert world.books.ledger.assignments() == []
    assert ("tom", "alarm assigned", key, "to tom") in deeds(world)


def test_an_acknowledgement_goes_to_the_site_and_its_answer_is_shown_and_noted(
    world: World,
) -> None:
    tom, alarm = Asker(world.app, "tom"), stopped(world, "home")
    said = tom.act(do="acknowledge", site="home", alarm=alarm.key)
    assert (said.status, "Done: acknowledged." in said.text) == (200, True)
    site, order = world.way.given[0]
    assert site == "home"
    assert order == {
        "order": "acknowledge", "filter": "tank_0", "alarm": "flow-stopped",
        "occurrence": alarm.occurrence, "by": "Tom (invented), on the board page",
    }  # fmt: skip
    world.way.answer = None
    assert "No answer within 10 s" in tom.act(do="acknowledge", site="home", alarm=alarm.key).text
    world.way.fault = BrokerLost("broker 127.0.0.1:1883: not reached")
    away = tom.act(do="acknowledge", site="home", alarm=alarm.key)
    assert (away.status, "Not done: broker 127.0.0.1:1883: not reached." in away.text) == (
        503,
        True,
    )
    did = [(who, what) for who, what, *_ in deeds(world) if what.startswith(("ack", "alarm ack"))]
    assert did[-1] == ("tom", "acknowledgement sent")
    assert ("tom", "alarm acknowledged") in did  # the site said so
    assert ("tom", "acknowledgement answered") in did  # no answer in time
    assert ("tom", "acknowledgement not sent") in did


def test_only_owners_see_the_trail(world: World) -> None:
    olga, tom = Asker(world.app, "olga"), Asker(world.app, "tom")
    text = olga.ask("/audit").text
    assert "logged in" in text
    assert "from 192.0.2.7" in text
    assert tom.ask("/audit").status == 404
    assert "/audit" not in tom.ask("/").text


def test_the_work_list_is_that_of_the_command(world: World) -> None:
    text = Asker(world.app, "tom").ask("/visits?week=next&hours=8").text
    assert "tank_0 has stood still for" in text
    assert "Harbour" not in Asker(world.app, "clara").ask("/visits").text


def test_a_deed_needs_our_page_our_token_and_patience(world: World) -> None:
    tom, key = Asker(world.app, "tom"), stopped(world, "home").key
    fields = {"do": "acknowledge", "site": "home", "alarm": key}
    assert tom.ask("/act", {**fields, "csrf": "x"}).status == 403
    assert tom.ask("/act", fields | {"csrf": Asker(world.app, "olga").csrf}).status == 403
    foreign = {"origin": "http://evil.example"}
    assert tom.ask("/act", fields | {"csrf": tom.csrf}, foreign).status == 403
    assert (
        tom.ask("/act", fields | {"csrf": tom.csrf}, {"sec-fetch-site": "cross-site"}).status == 403
    )
    assert world.way.given == []
    for _ in range(30):
        assert tom.act(**fields).status == 200
    assert tom.act(**fields).status == 429
    assert len(world.way.given) == 30


def test_a_login_ends_with_the_password_the_person_and_the_logout(world: World) -> None:
    tom, clara, olga = (Asker(world.app, who) for who in ("tom", "clara", "olga"))
    world.books.people.set_password("tom", "another long password", "test")
    world.books.people.remove("clara", "test")
    assert tom.ask("/").status == clara.ask("/").status == 303
    kept = olga.cookie
    said = olga.ask("/logout", {"csrf": olga.csrf})
    assert "Max-Age=0" in said.headers["set-cookie"]
    olga.cookie = kept
    assert olga.ask("/").status == 303


def test_guessing_is_slow_and_headers_are_strict(world: World) -> None:
    guesser = Asker(world.app)
    tries = [guesser.ask("/login", {"person": "tom", "password": "wrong wrong"}) for _ in range(6)]
    assert [t.status for t in tries] == [403] * 5 + [429]
    assert int(tries[-1].headers["retry-after"]) > 0
    said = Asker(world.app).ask("/login", {"person": "olga", "password": PASSWORD})
    assert "HttpOnly; SameSite=Lax" in said.headers["set-cookie"]
    for answer in (said, guesser.ask("/login"), guesser.ask("/no/such")):
        assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert guesser.ask("/login", {"person": "olga"}, {"host": HOST, "origin": "null"}).status == 403


def test_redis_away_is_one_line_and_the_old_picture_is_said_to_be_old(world: World) -> None:
    tom = Asker(world.app, "tom")
    world.redis.kill()
    world.board.look()
    text = tom.ask("/").text
    assert "Not new: what you see is from" in text
    assert "redis: " in text
    assert "Harbour home" in text
    site = tom.ask("/site/home")
    assert (site.status, "Traceback" in site.text, "redis: " in site.text) == (503, False, True)
    world.redis.start()
    world.board.look()
    assert "Not new" not in tom.ask("/").text
