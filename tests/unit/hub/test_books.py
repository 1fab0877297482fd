"""The books: what may stand in them, what depends on what, and the trail of it."""

from __future__ import annotations

import sqlite3
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.errors import StorageError, UserMistake
from monitor.fleet.business import Client, Consequence, FilterFacts, Person, Role, Standing
from monitor.hub.books import checks, schema
from monitor.hub.books.books import Books
from monitor.settings.base import ID_PATTERN

NOW = [1000.0]


@pytest.fixture
def books(tmp_path: Path) -> Iterator[Books]:
    NOW[0] = 1000.0
    made = Books(tmp_path / "books", lambda: NOW[0])
    yield made
    made.close()


@pytest.fixture
def furnished(books: Books) -> Books:
    """Two clients, one site, an owner and a technician."""
    books.clients.add(Client("north", "North House", "desk"), "anna")
    books.clients.add(Client("south", "South House"), "anna")
    books.sites.enrol("hall", "north", "Hall", "Harbour Street", "anna")
    books.people.add(Person("anna", "Anna", Role.OWNER), "anna")
    books.people.add(Person("robin", "Robin", Role.TECHNICIAN), "anna")
    return books


def said(books: Books) -> list[tuple[str, str, str]]:
    return [(d.who, d.did, d.subject) for d in reversed(books.trail.last(100))]


def test_what_is_put_in_is_there_for_another_process(furnished: Books, tmp_path: Path) -> None:
    again = Books(tmp_path / "books")
    assert again.clients.all() == [Client("north", "North House", "desk"), Client("south", "South House")]  # fmt: skip
    (site,) = again.sites.all()
    assert (site.client, site.name, site.place, site.standing) == ("north", "Hall", "Harbour Street", "enrolled")  # fmt: skip
    assert site.enrolled_utc_s == 1000.0
    assert [p.id for p in again.people.all()] == ["anna", "robin"]
    assert again.sites.all("south") == []
    again.close()


def test_every_deed_is_in_the_trail_and_no_failed_one(furnished: Books) -> None:
    with pytest.raises(UserMistake):
        furnished.clients.add(Client("north", "Again"), "eve")
    assert said(furnished) == [
        ("anna", "client added", "north"),
        ("anna", "client added", "south"),
        ("anna", "site enrolled", "hall"),
        ("anna", "person added", "anna"),
        ("anna", "person added", "robin"),
    ]
    newest = furnished.trail.last(2)
    assert [d.subject for d in newest] == ["robin", "anna"]
    assert [d.subject for d in furnished.trail.last(9, before=newest[1].number)] == ["hall", "south", "north"]  # fmt: skip
    assert [d.did for d in furnished.trail.last(9, "hall")] == ["site enrolled"]


def test_the_trail_refuses_to_be_changed_whoever_asks(furnished: Books) -> None:
    link = sqlite3.connect(furnished.file)
    for statement in ("DELETE FROM trail", "UPDATE trail SET who = 'eve'"):
        with pytest.raises(sqlite3.IntegrityError, match="append only"):
            link.execute(statement)
    link.close()
    assert len(said(furnished)) == 5


@pytest.mark.parametrize(
    ("deed", "told"),
    [
        (lambda b: b.clients.add(Client("north", "N"), "a"), "is in the books already"),
        (lambda b: b.clients.add(Client("North", "N"), "a"), "expected lower-case letters"),
        (lambda b: b.clients.add(Client("x" * 33, "N"), "a"), "at most 32"),
        (lambda b: b.clients.add(Client("west", "  "), "a"), "name: is empty"),
        (lambda b: b.clients.add(Client("west", "a\nb"), "a"), "name: has a line break"),
        (lambda b: b.clients.add(Client("west", "x" * 501), "a"), "has 501 characters"),
        (lambda b: b.clients.get("nort"), "the nearest known is north"),
        (lambda b: b.clients.remove("north", "a"), "has the sites hall"),
        (lambda b: b.people.add(Person("c", "C", Role.CLIENT), "a"), "no client"),
        (lambda b: b.people.add(Person("c", "C", Role.CLIENT, "zzz"), "a"), "client 'zzz': not in"),
        (lambda b: b.people.add(Person("c", "C", Role.OWNER, "north"), "a"), "leave the client out"),
        (lambda b: b.people.remove("anna", "a"), "is the only owner"),
        (lambda b: b.people.change(Person("anna", "A", Role.TECHNICIAN), "a"), "is the only owner"),
        (lambda b: b.people.set_password("robin", "short", "a"), "has 5 characters"),
        (lambda b: b.people.set_password("robyn", "long enough", "a"), "nearest known is robin"),
        (lambda b: b.sites.enrol("hall", "north", "", "", "a"), "is enrolled already, for north"),
        (lambda b: b.sites.enrol("Hall", "north", "", "", "a"), "site 'Hall': expected"),
        (lambda b: b.sites.enrol("hall2", "nowhere", "", "", "a"), "client 'nowhere': not in"),
        (lambda b: b.sites.revoke("hal", "a"), "nearest known is hall"),
        (lambda b: b.sites.move("hall", "a", "west", None, None), "client 'west': not in"),
        (lambda b: b.filters.put(FilterFacts("hal", "left"), "a"), "nearest known is hall"),
        (lambda b: b.filters.put(FilterFacts("hall", "Left"), "a"), "filter 'Left': expected"),
        (lambda b: b.filters.put(FilterFacts("hall", "left", lamp_installed="5.1."), "a"), "a day such as"),
        (lambda b: b.filters.put(FilterFacts("hall", "left", lamp_rated_h=0.0), "a"), "more than 0"),
        (lambda b: b.filters.put(FilterFacts("hall", "left", lamp_rated_h=float("nan")), "a"), "more than 0"),
        (lambda b: b.filters.remove("hall", "left", "a"), "nothing is in the books"),
        (lambda b: b.ledger.assign("hall/left/flow-stopped/1", "eve", "a"), "person 'eve': not in"),
    ],
)  # fmt: skip
def test_a_mistake_is_one_line_and_changes_nothing(
    furnished: Books, deed: object, told: str
) -> None:
    before = said(furnished)
    with pytest.raises(UserMistake) as raised:
        deed(furnished)  # type: ignore[operator]
    assert told in str(raised.value)
    assert "\n" not in str(raised.value)
    assert said(furnished) == before


def test_a_client_leaves_once_nothing_depends_on_them(furnished: Books) -> None:
    furnished.people.add(Person("carl", "Carl", Role.CLIENT, "north"), "anna")
    furnished.sites.move("hall", "anna", "south", None, None)
    with pytest.raises(UserMistake, match="carl may look at their sites"):
        furnished.clients.remove("north", "anna")
    furnished.people.remove("carl", "anna")
    assert furnished.clients.remove("north", "anna") == Client("north", "North House", "desk")
    assert [c.id for c in furnished.clients.all()] == ["south"]


def test_a_revoked_site_comes_back_for_its_own_client_only(furnished: Books) -> None:
    NOW[0] = 2000.0
    furnished.sites.revoke("hall", "anna")
    NOW[0] = 3000.0
    furnished.sites.revoke("hall", "anna")
    assert furnished.sites.get("hall").revoked_utc_s == 2000.0, "the first time counts"
    with pytest.raises(UserMistake, match=r"was north's, and its history bears this id"):
        furnished.sites.enrol("hall", "south", "", "", "anna")
    furnished.sites.enrol("hall", "north", "", "", "anna")
    site = furnished.sites.get("hall")
    assert (site.standing, site.revoked_utc_s, site.enrolled_utc_s) == (Standing.ENROLLED, None, 3000.0)  # fmt: skip
    assert (site.name, site.place) == ("Hall", "Harbour Street"), "what is not said stays"


def test_a_move_says_what_was(furnished: Books) -> None:
    old, new = furnished.sites.move("hall", "anna", None, None, "Mill Lane")
    assert (old.place, new.place) == ("Harbour Street", "Mill Lane")
    assert furnished.sites.get("hall") == new
    assert "Harbour Street" in furnished.trail.last(1)[0].detail


def test_what_a_visit_must_know(furnished: Books) -> None:
    facts = FilterFacts("hall", "left", "planted.card.toml", "2 of 20 x 20 cm", "1 L rings",
                        "2026-03-01", 9000.0, Consequence.HIGH, "old fish")  # fmt: skip
    furnished.filters.put(FilterFacts("hall", "left"), "anna")
    furnished.filters.put(facts, "anna")
    assert furnished.filters.all() == [facts]
    assert furnished.filters.find("hall", "right") is None
    assert furnished.filters.remove("hall", "left", "anna") == facts
    assert furnished.filters.all("hall") == []


def test_passwords_open_for_nobody_else(furnished: Books) -> None:
    people = furnished.people
    assert people.login("robin", "") is None, "no password yet is no password"
    people.set_password("robin", "a long enough one", "anna")
    people.set_password("anna", "a long enough one", "anna")
    found = people.login("robin", "a long enough one")
    assert found == Person("robin", "Robin", Role.TECHNICIAN, None, True)
    for name, password in (("robin", "a long enough"), ("eve", "a long enough one"), ("robin", "")):
        assert people.login(name, password) is None
    rows = sqlite3.connect(furnished.file).execute("SELECT password FROM people").fetchall()
    assert len({r[0] for r in rows}) == 2, "the same password has another salt"
    assert all("long enough" not in r[0] for r in rows)
    people.set_password("robin", None, "anna")
    assert people.login("robin", "a long enough one") is None
    assert all("long enough" not in d.detail for d in furnished.trail.last(100))


def test_assignments_hold_people_in_the_books(furnished: Books) -> None:
    furnished.people.add(Person("carl", "Carl", Role.CLIENT, "north"), "anna")
    alarm = "hall/left/flow-stopped/1"
    with pytest.raises(UserMistake, match="looks after no alarm"):
        furnished.ledger.assign(alarm, "carl", "anna")
    furnished.ledger.assign(alarm, "anna", "anna")
    furnished.ledger.assign(alarm, "robin", "anna")
    (one,) = furnished.ledger.assignments()
    assert (one.alarm, one.person, one.by) == (alarm, "robin", "anna")
    with pytest.raises(UserMistake, match=f"looks after {alarm}"):
        furnished.people.remove("robin", "anna")
    assert furnished.ledger.unassign(alarm, "robin")
    assert not furnished.ledger.unassign(alarm, "robin")
    furnished.people.remove("robin", "anna")


def test_the_file_is_for_its_user_only(books: Books) -> None:
    books.clients.add(Client("north", "N"), "anna")
    for file in books.file.parent.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file


def test_ids_are_those_of_every_configuration() -> None:
    assert checks.ID_PATTERN == ID_PATTERN


def test_newer_damaged_and_unreachable_books_are_told_in_a_line(tmp_path: Path) -> None:
    folder = tmp_path / "books"
    Books(folder).close()
    file = folder / "books.sqlite"
    link = sqlite3.connect(file)
    link.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    link.close()
    with pytest.raises(StorageError, match="written by a newer canister"):
        Books(folder)
    file.write_bytes(b"no database, but long enough to be looked at" * 200)
    before = file.read_bytes()
    with pytest.raises(StorageError, match=r"not a database; .*put the newest copy of it back"):
        Books(folder)
    assert file.read_bytes() == before, "what cannot be read is left as it is"
    with pytest.raises(StorageError, match="cannot be opened"):
        Books(file)
