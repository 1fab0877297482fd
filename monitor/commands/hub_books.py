"""`canister hub client|person|filter|audit`: what the business itself writes into its books."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from monitor.commands.common import JsonOption, reported
from monitor.commands.hub_common import HubConfigOption, office, show, when

client_app = typer.Typer(no_args_is_help=True, help="Clients: who the business works for.")
person_app = typer.Typer(no_args_is_help=True, help="People: who may look at the board page.")
filter_app = typer.Typer(
    no_args_is_help=True, help="Filters: what a visit must know and no sensor tells."
)

NameOption = Annotated[str | None, typer.Option("--name", help="Name for people.")]
ContactOption = Annotated[
    str | None, typer.Option("--contact", help="How to reach them, free text.")
]
RoleOption = Annotated[
    str | None, typer.Option("--role", help="owner, technician or client.", metavar="ROLE")
]
ClientOption = Annotated[
    str | None, typer.Option("--client", help="For the role client: whose sites they see.")
]


@client_app.command("add")
@reported
def client_add(
    client: Annotated[str, typer.Argument(help="Short id: a-z, 0-9 and _.")],
    name: NameOption = None,
    contact: ContactOption = None,
    config: HubConfigOption = None,
) -> None:
    """Put a client into the books.

    Example: canister hub client add north_house --name "North House" --contact "desk, 555-0100"
    """
    from monitor.fleet.business import Client

    with office(config) as o:
        o.books.clients.add(Client(client, client if name is None else name, contact or ""), o.who)
    print(f"{client} is in the books. Undo: canister hub client remove {client}")


@client_app.command("change")
@reported
def client_change(
    client: str,
    name: NameOption = None,
    contact: ContactOption = None,
    config: HubConfigOption = None,
) -> None:
    """Change a client's name or contact.

    Example: canister hub client change north_house --contact "555-0101"
    """
    with office(config) as o:
        old = o.books.clients.get(client)
        changes = {k: v for k, v in (("name", name), ("contact", contact)) if v is not None}
        o.books.clients.change(msgspec.structs.replace(old, **changes), o.who)
    print(f"{client} changed. Undo: canister hub client change {client} {_words(old)}")


@client_app.command("list")
@reported
def client_list(json: JsonOption = False, config: HubConfigOption = None) -> None:
    """List all clients.

    Example: canister hub client list --json
    """
    with office(config) as o:
        sites = [s.client for s in o.books.sites.all()]
        rows = [{**_fields(c), "sites": sites.count(c.id)} for c in o.books.clients.all()]
    columns = {"id": "client", "name": "name", "contact": "contact", "sites": "sites"}
    show(rows, columns, json, "No clients yet; `canister hub client add` adds one.")


@client_app.command("remove")
@reported
def client_remove(client: str, config: HubConfigOption = None) -> None:
    """Take a client out of the books, once no site and no person is theirs.

    Example: canister hub client remove north_house
    """
    with office(config) as o:
        gone = o.books.clients.remove(client, o.who)
    print(f"{client} removed. Undo: canister hub client add {client} {_words(gone)}")


@person_app.command("add")
@reported
def person_add(
    person: Annotated[str, typer.Argument(help="Short id, their name at the log-in.")],
    role: RoleOption = None,
    name: NameOption = None,
    client: ClientOption = None,
    config: HubConfigOption = None,
) -> None:
    """Put somebody into the books; they can log in once they have a password.

    Example: canister hub person add robin --role technician --name Robin
    """
    from monitor.fleet.business import Person

    with office(config) as o:
        o.books.people.add(
            Person(person, person if name is None else name, _role(role), client), o.who
        )
    print(
        f"{person} is in the books, without a password yet: canister hub person password {person}. "
        f"Undo: canister hub person remove {person}"
    )


@person_app.command("change")
@reported
def person_change(
    person: str,
    role: RoleOption = None,
    name: NameOption = None,
    client: ClientOption = None,
    config: HubConfigOption = None,
) -> None:
    """Change somebody's name, role or client; the password stays.

    Example: canister hub person change robin --role owner
    """
    from monitor.errors import UserMistake
    from monitor.fleet.business import Role

    with office(config) as o:
        old = o.books.people.find(person)
        if old is None:
            raise UserMistake(
                f"person {person!r}: not in the books; `canister hub person list` shows who is"
            )
        wanted = old.role if role is None else _role(role)
        kept = old.client if wanted is Role.CLIENT else None
        new = msgspec.structs.replace(
            old, name=old.name if name is None else name, role=wanted, client=client or kept
        )
        o.books.people.change(new, o.who)
    print(f"{person} changed. Undo: canister hub person change {person} {_words(old)}")


@person_app.command("list")
@reported
def person_list(json: JsonOption = False, config: HubConfigOption = None) -> None:
    """List everybody.

    Example: canister hub person list
    """
    with office(config) as o:
        rows = [_fields(p) for p in o.books.people.all()]
    columns = {"id": "person", "name": "name", "role": "role", "client": "client",
               "has_password": "has a password"}  # fmt: skip
    if not json:
        rows = [{**r, "has_password": "yes" if r["has_password"] else "no"} for r in rows]
    show(rows, columns, json, "Nobody yet; `canister hub person add` adds somebody.")


@person_app.command("remove")
@reported
def person_remove(person: str, config: HubConfigOption = None) -> None:
    """Take somebody out of the books, once no alarm is assigned to them.

    Example: canister hub person remove robin
    """
    with office(config) as o:
        gone = o.books.people.remove(person, o.who)
    print(f"{person} removed. Undo: canister hub person add {person} {_words(gone)}, and a password anew")  # fmt: skip


@person_app.command("password")
@reported
def person_password(
    person: str,
    take_away: Annotated[
        bool, typer.Option("--take-away", help="They can log in no more until they get a new one.")
    ] = False,
    config: HubConfigOption = None,
) -> None:
    """Give somebody a password: asked for twice and not shown, or the first line of a pipe.

    Example: canister hub person password robin
    """
    from monitor.errors import UserMistake

    with office(config) as o:
        if o.books.people.find(person) is None:
            raise UserMistake(
                f"person {person!r}: not in the books; `canister hub person list` shows who is"
            )
        o.books.people.set_password(person, None if take_away else _asked(), o.who)
    print(f"{person} has {'no password any more' if take_away else 'a new password'}.")


@filter_app.command("set")
@reported
def filter_set(
    site: str,
    filter_id: Annotated[str, typer.Argument(metavar="FILTER", help="Its id at the site.")],
    media_card: Annotated[
        str | None, typer.Option("--media-card", help="Set-up card of its media stack.")
    ] = None,
    pads: Annotated[str | None, typer.Option("--pads", help="Sizes of its pads.")] = None,
    bring: Annotated[str | None, typer.Option("--bring", help="What else to bring.")] = None,
    lamp_installed: Annotated[
        str | None, typer.Option("--lamp-installed", help="Day its lamp was new, YYYY-MM-DD.")
    ] = None,
    lamp_hours: Annotated[
        float | None, typer.Option("--lamp-hours", help="Hours of light its lamp is rated for.")
    ] = None,
    consequence: Annotated[
        str | None, typer.Option("--consequence", help="Of a stop: low, normal or high.")
    ] = None,
    note: Annotated[str | None, typer.Option("--note", help="What lives there, and so on.")] = None,
    config: HubConfigOption = None,
) -> None:
    """Note what a visit must know of a filter; what is not named stays as it was.

    Example: canister hub filter set north_hall left --pads "2 of 20 x 20 cm" --consequence high
    """
    from monitor.fleet.business import Consequence, FilterFacts

    named = {"media_card": media_card, "pads": pads, "bring": bring, "note": note,
             "lamp_installed": lamp_installed, "lamp_rated_h": lamp_hours}  # fmt: skip
    changes: dict[str, Any] = {k: v for k, v in named.items() if v is not None}
    if consequence is not None:
        changes["consequence"] = _one_of(Consequence, "consequence", consequence)
    with office(config) as o:
        old = o.books.filters.find(site, filter_id) or FilterFacts(site, filter_id)
        o.books.filters.put(msgspec.structs.replace(old, **changes), o.who)
    print(f"{site}/{filter_id} noted.")


@filter_app.command("list")
@reported
def filter_list(
    site: Annotated[str | None, typer.Argument(help="Only of this site.")] = None,
    json: JsonOption = False,
    config: HubConfigOption = None,
) -> None:
    """List what is known of filters.

    Example: canister hub filter list north_hall
    """
    with office(config) as o:
        if site is not None:
            o.books.sites.get(site)
        rows = [_fields(f) for f in o.books.filters.all(site)]
    columns = {"site": "site", "filter": "filter", "media_card": "media card", "pads": "pads",
               "bring": "bring", "lamp_installed": "lamp since", "lamp_rated_h": "lamp h",
               "consequence": "a stop is", "note": "note"}  # fmt: skip
    show(rows, columns, json, "Nothing yet; `canister hub filter set` notes it.")


@filter_app.command("remove")
@reported
def filter_remove(
    site: str,
    filter_id: Annotated[str, typer.Argument(metavar="FILTER", help="Its id at the site.")],
    config: HubConfigOption = None,
) -> None:
    """Forget what is known of a filter.

    Example: canister hub filter remove north_hall left
    """
    with office(config) as o:
        gone = o.books.filters.remove(site, filter_id, o.who)
    told = " ".join(
        f"--{flag} {shlex.quote(str(value))}"
        for flag, value in (
            ("media-card", gone.media_card), ("pads", gone.pads), ("bring", gone.bring),
            ("lamp-installed", gone.lamp_installed), ("lamp-hours", gone.lamp_rated_h),
            ("consequence", gone.consequence), ("note", gone.note),
        ) if value
    )  # fmt: skip
    print(f"{site}/{filter_id} forgotten. Undo: canister hub filter set {site} {filter_id} {told}")


@reported
def audit(
    subject: Annotated[
        str | None, typer.Argument(help="Only of this client, person, site or alarm.")
    ] = None,
    last: Annotated[int, typer.Option("--last", min=1, max=100_000, help="Lines.")] = 50,
    json: JsonOption = False,
    config: HubConfigOption = None,
) -> None:
    """Show who did what to what, newest first.

    Example: canister hub audit north_hall --last 20
    """
    with office(config) as o:
        deeds = o.books.trail.last(last, subject)
    rows = [{**_fields(d), "utc": when(d.utc_s)} for d in deeds]
    columns = {"utc": "when (UTC)", "who": "who", "did": "did", "subject": "to", "detail": "detail"}
    show(rows, columns, json, "Nothing is on record.")


@reported
def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A new file; never written over.")],
    config: HubConfigOption = None,
) -> None:
    """Write a sound copy of the books while everything runs.

    It holds addresses and hashes of passwords: keep it as closely as the books themselves.

    Example: canister hub backup /backup/books-2026-11-25.sqlite
    """
    with office(config) as o:
        o.books.copy_to(file, o.who)
    print(f"{file} written. To put it back: stop the hub, install it in the place of {o.books.file}, and "
          "delete the files ending in -wal and -shm beside that.")  # fmt: skip


def _fields(record: Any) -> dict[str, Any]:
    return dict(msgspec.to_builtins(record))


def _words(record: Any) -> str:
    """The options that make a record what it was."""
    named = ("name", "contact", "role", "client")
    values = {k: getattr(record, k, None) for k in named}
    return " ".join(f"--{k} {shlex.quote(str(v))}" for k, v in values.items() if v is not None)


def _role(text: str | None) -> Any:
    from monitor.fleet.business import Role

    return _one_of(Role, "role", text or "")


def _one_of(kind: Any, what: str, text: str) -> Any:
    from monitor.errors import UserMistake

    try:
        return kind(text)
    except ValueError:
        known = ", ".join(kind)
        raise UserMistake(f"--{what}: got {text!r}, expected one of {known}") from None


def _asked() -> str:
    if sys.stdin.isatty():
        return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))
    return sys.stdin.readline().rstrip("\r\n")
