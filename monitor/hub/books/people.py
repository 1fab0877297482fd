"""Clients and people in the books."""

from __future__ import annotations

import hashlib
import sqlite3

from monitor.errors import UserMistake
from monitor.fleet.business import Client, Person, Role
from monitor.hub.books import checks
from monitor.hub.books.link import Link
from monitor.hub.books.passwords import fits, hashed
from monitor.hub.books.trail import note

_PERSON = "id, name, role, client, password IS NOT NULL"


class Clients:
    """Who the business works for."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def all(self) -> list[Client]:
        """Return every client, by id."""
        with self._link.reading() as link:
            rows = link.execute("SELECT id, name, contact FROM clients ORDER BY id").fetchall()
        return [Client(*row) for row in rows]

    def get(self, client: str) -> Client:
        """Return one.

        Raises:
            UserMistake: nobody of that id.
        """
        with self._link.reading() as link:
            checks.known(link, "client", client)
            row = link.execute(
                "SELECT id, name, contact FROM clients WHERE id = ?", (client,)
            ).fetchone()
        return Client(*row)

    def add(self, client: Client, who: str) -> None:
        """Put a client into the books.

        Raises:
            UserMistake: the id is taken or something is not well written.
        """
        client = _sound_client(client)
        with self._link.writing() as link:
            checks.new(link, "client", client.id)
            link.execute(
                "INSERT INTO clients VALUES (?, ?, ?)", (client.id, client.name, client.contact)
            )
            note(link, self._link.clock(), who, "client added", client.id, client.name)

    def change(self, client: Client, who: str) -> None:
        """Change name and contact of a client.

        Raises:
            UserMistake: nobody of that id, or something is not well written.
        """
        client = _sound_client(client)
        with self._link.writing() as link:
            checks.known(link, "client", client.id)
            link.execute(
                "UPDATE clients SET name = ?, contact = ? WHERE id = ?",
                (client.name, client.contact, client.id),
            )
            note(link, self._link.clock(), who, "client changed", client.id, client.name)

    def remove(self, client: str, who: str) -> Client:
        """Take a client out of the books; return what they were.

        Raises:
            UserMistake: nobody of that id, or a site or person depends on them.
        """
        found = self.get(client)
        with self._link.writing() as link:
            checks.known(link, "client", client)
            sites = _ids(link, "SELECT id FROM sites WHERE client = ? ORDER BY id", client)
            people = _ids(link, "SELECT id FROM people WHERE client = ? ORDER BY id", client)
            if sites:
                raise UserMistake(
                    f"client {client!r}: has the sites {_few(sites)}, and their history is theirs; move "
                    "each with `canister hub site move` first"
                )
            if people:
                raise UserMistake(
                    f"client {client!r}: {_few(people)} may look at their sites; remove these people "
                    "with `canister hub person remove` first"
                )
            link.execute("DELETE FROM clients WHERE id = ?", (client,))
            note(link, self._link.clock(), who, "client removed", client, found.name)
        return found


class People:
    """Who may look at the board page."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def all(self) -> list[Person]:
        """Return everybody, by id."""
        with self._link.reading() as link:
            rows = link.execute(f"SELECT {_PERSON} FROM people ORDER BY id").fetchall()
        return [_person(row) for row in rows]

    def find(self, person: str) -> Person | None:
        """Return one as the books have them now, `None` for nobody of that id."""
        with self._link.reading() as link:
            row = link.execute(f"SELECT {_PERSON} FROM people WHERE id = ?", (person,)).fetchone()
        return None if row is None else _person(row)

    def mark(self, person: str) -> str:
        """Return what changes with somebody's password and tells nothing of it; empty for none."""
        with self._link.reading() as link:
            row = link.execute("SELECT password FROM people WHERE id = ?", (person,)).fetchone()
        kept = None if row is None else row[0]
        return "" if kept is None else hashlib.sha256(kept.encode()).hexdigest()[:16]

    def login(self, person: str, password: str) -> Person | None:
        """Return who may enter with this password, `None` for nobody.

        It takes as long for somebody who is not known, so that names cannot be found out by time.
        """
        with self._link.reading() as link:
            row = link.execute("SELECT password FROM people WHERE id = ?", (person,)).fetchone()
        good = fits(password, None if row is None else row[0])
        return self.find(person) if good else None

    def add(self, person: Person, who: str) -> None:
        """Put somebody into the books, without a password yet.

        Raises:
            UserMistake: the id is taken, or role and client do not go together.
        """
        checks.an_id("person", person.id)
        name = checks.a_text("name", person.name, needed=True)
        with self._link.writing() as link:
            checks.new(link, "person", person.id)
            _role_and_client(link, person)
            link.execute(
                "INSERT INTO people VALUES (?, ?, ?, ?, NULL)",
                (person.id, name, person.role, person.client),
            )
            note(link, self._link.clock(), who, "person added", person.id, _described(person))

    def change(self, person: Person, who: str) -> None:
        """Change name, role or client of somebody; the password stays.

        Raises:
            UserMistake: nobody of that id, the last owner, or role and client do not go together.
        """
        name = checks.a_text("name", person.name, needed=True)
        with self._link.writing() as link:
            checks.known(link, "person", person.id)
            _role_and_client(link, person)
            if person.role is not Role.OWNER:
                _not_the_last_owner(link, person.id)
            link.execute(
                "UPDATE people SET name = ?, role = ?, client = ? WHERE id = ?",
                (name, person.role, person.client, person.id),
            )
            note(link, self._link.clock(), who, "person changed", person.id, _described(person))

    def set_password(self, person: str, password: str | None, who: str) -> None:
        """Give somebody a new password, or with `None` none: then nobody enters under that name.

        Raises:
            UserMistake: nobody of that id, or the password is too short.
        """
        kept = None if password is None else hashed(password)
        with self._link.writing() as link:
            checks.known(link, "person", person)
            link.execute("UPDATE people SET password = ? WHERE id = ?", (kept, person))
            did = "password taken away" if kept is None else "password set"
            note(link, self._link.clock(), who, did, person)

    def remove(self, person: str, who: str) -> Person:
        """Take somebody out of the books; return who they were.

        Raises:
            UserMistake: nobody of that id, the last owner, or alarms are assigned to them.
        """
        with self._link.writing() as link:
            checks.known(link, "person", person)
            _not_the_last_owner(link, person)
            alarms = _ids(link, "SELECT alarm FROM assignments WHERE person = ?", person)
            if alarms:
                raise UserMistake(
                    f"person {person!r}: looks after {_few(alarms)}; assign these to somebody else first"
                )
            row = link.execute(f"SELECT {_PERSON} FROM people WHERE id = ?", (person,)).fetchone()
            link.execute("DELETE FROM people WHERE id = ?", (person,))
            found = _person(row)
            note(link, self._link.clock(), who, "person removed", person, _described(found))
        return found


def _sound_client(client: Client) -> Client:
    checks.an_id("client", client.id)
    name = checks.a_text("name", client.name, needed=True)
    return Client(client.id, name, checks.a_text("contact", client.contact))


def _role_and_client(link: sqlite3.Connection, person: Person) -> None:
    if person.role is Role.CLIENT:
        if person.client is None:
            raise UserMistake(
                f"person {person.id!r}: has the role client but no client; say whose sites they see"
            )
        checks.known(link, "client", person.client)
    elif person.client is not None:
        raise UserMistake(
            f"person {person.id!r}: has the role {person.role}, who sees all sites; leave the client out"
        )


def _not_the_last_owner(link: sqlite3.Connection, person: str) -> None:
    owners = _ids(link, "SELECT id FROM people WHERE role = ?", Role.OWNER)
    if owners == [person]:
        raise UserMistake(
            f"person {person!r}: is the only owner, and somebody must be; add another owner first"
        )


def _person(row: tuple[str, str, str, str | None, int]) -> Person:
    return Person(row[0], row[1], Role(row[2]), row[3], bool(row[4]))


def _described(person: Person) -> str:
    return f"{person.name}, {person.role}" + (f" of {person.client}" if person.client else "")


def _ids(link: sqlite3.Connection, query: str, value: str) -> list[str]:
    return [str(row[0]) for row in link.execute(query, (value,))]


def _few(names: list[str]) -> str:
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return ", ".join(names[:3]) + more
