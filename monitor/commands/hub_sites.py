"""`canister hub enrol|revoke|rotate|broker-setup|site`: which boards may speak to the fleet's broker."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from monitor.commands.common import JsonOption, reported
from monitor.commands.hub_common import HubConfigOption, office, show, when

if TYPE_CHECKING:
    from monitor.app.fleet.enrolment import Done

site_app = typer.Typer(no_args_is_help=True, help="Sites: whose they are and where.")

SiteArgument = Annotated[str, typer.Argument(help="Id of the site, as in its topics.")]
BundleOption = Annotated[
    Path | None,
    typer.Option(
        "--bundle",
        metavar="FILE",
        help="Where the bundle for the board goes; never written over. Else SITE.bundle.toml here.",
        show_default=False,
    ),
]
PlaceOption = Annotated[
    str | None, typer.Option("--place", help="Town or street, by which visits are grouped.")
]
NameOption = Annotated[str | None, typer.Option("--name", help="Name for people.")]


@reported
def enrol(
    site: SiteArgument,
    client: Annotated[str, typer.Option("--client", help="Whose it is.")],
    place: PlaceOption = None,
    name: NameOption = None,
    bundle: BundleOption = None,
    config: HubConfigOption = None,
) -> None:
    """Let a site log in at the broker, and write the bundle that its board takes.

    Without broker.admin_username the broker's commands are printed instead; they hold the password, so
    pipe them.

    Example: canister hub enrol north_hall --client north_house --place "Harbour Street"
    """
    with office(config) as o:
        done = o.desk.enrol(site, client, name or "", place or "", _bundle(site, bundle))
    _say(done)


@reported
def rotate(site: SiteArgument, bundle: BundleOption = None, config: HubConfigOption = None) -> None:
    """Give a site a new password and write a new bundle; what has the old one is cut off at once.

    Example: canister hub rotate north_hall
    """
    with office(config) as o:
        done = o.desk.rotate(site, _bundle(site, bundle))
    _say(done)


@reported
def revoke(site: SiteArgument, config: HubConfigOption = None) -> None:
    """Let a site log in no more and cut it off at once; its history stays.

    Example: canister hub revoke north_hall
    """
    with office(config) as o:
        done = o.desk.revoke(site)
    _say(done)


@reported
def broker_setup(config: HubConfigOption = None) -> None:
    """Make the broker ready: the hub's own user, and nothing allowed that no role allows.

    Repeat it after a change of broker.username, its password, topic_root or share; workers of the hub
    are cut off for a moment.

    Example: canister hub broker-setup
    """
    with office(config) as o:
        done = o.desk.set_up()
    _say(done)


@site_app.command("list")
@reported
def site_list(
    client: Annotated[str | None, typer.Option("--client", help="Only of this client.")] = None,
    json: JsonOption = False,
    config: HubConfigOption = None,
) -> None:
    """List the sites.

    Example: canister hub site list --client north_house
    """
    with office(config) as o:
        if client is not None:
            o.books.clients.get(client)
        found = o.books.sites.all(client)
    rows = [
        {**msgspec.to_builtins(s), "enrolled": when(s.enrolled_utc_s), "revoked": when(s.revoked_utc_s)}
        for s in found
    ]  # fmt: skip
    columns = {"id": "site", "client": "client", "name": "name", "place": "place",
               "standing": "standing", "enrolled": "enrolled (UTC)", "revoked": "revoked (UTC)"}  # fmt: skip
    show(rows, columns, json, "No sites yet; `canister hub enrol` adds one.")


@site_app.command("move")
@reported
def site_move(
    site: SiteArgument,
    client: Annotated[str | None, typer.Option("--client", help="Whose it is from now on.")] = None,
    place: PlaceOption = None,
    name: NameOption = None,
    with_history: Annotated[
        bool,
        typer.Option("--with-history", help="The new client may see all that was recorded before."),
    ] = False,
    config: HubConfigOption = None,
) -> None:
    """Change a site's client, place or name.

    Example: canister hub site move north_hall --place "Mill Lane"
    """
    from monitor.errors import UserMistake

    if client is None and place is None and name is None:
        raise UserMistake("site move: nothing to change; say --client, --place or --name")
    with office(config) as o:
        if client is not None and o.books.sites.get(site).client != client and not with_history:
            o.books.clients.get(client)
            raise UserMistake(
                f"site {site!r}: {client} would see all that was recorded for "
                f"{o.books.sites.get(site).client}; say --with-history if that is right, or revoke it and "
                "enrol the board under another id"
            )
        old, new = o.books.sites.move(site, o.who, client, name, place)
    told = [
        f"--{key} {shlex.quote(getattr(old, key))}"
        for key in ("client", "place", "name")
        if getattr(old, key) != getattr(new, key)
    ]
    if any(t.startswith("--client") for t in told):
        told.append("--with-history")
    print(f"{site} moved. Undo: canister hub site move {site} {' '.join(told)}" if told else f"{site} is so already.")  # fmt: skip


def _bundle(site: str, chosen: Path | None) -> Path:
    return chosen if chosen is not None else Path(f"{site}.bundle.toml")


def _say(done: Done) -> None:
    """Say what was done; what is to be sent by hand goes alone to standard output, to be piped."""
    if done.by_hand is None:
        for line in done.lines:
            print(line)
        return
    for line in done.lines:
        print(line, file=sys.stderr)
    print(
        "The broker knows nothing of it yet: broker.admin_username is not set. Send what stands on "
        "standard output as its administrator: | mosquitto_pub -u ADMIN -P ... -t "
        "'$CONTROL/dynamic-security/v1' -s",
        file=sys.stderr,
    )
    sys.stdout.write(done.by_hand.decode() + "\n")
