"""`canister access`: what this site may do at the broker, for whoever runs the broker."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from monitor.commands.common import ConfigOption, reported


@reported
def access(
    withdraw: Annotated[
        bool, typer.Option("--withdraw", help="Take the site's access away again.")
    ] = False,
    renew: Annotated[
        bool,
        typer.Option(
            "--renew", help="The site is known there: bring role and password up to date."
        ),
    ] = False,
    reader: Annotated[
        str,
        typer.Option(
            "--reader",
            metavar="USER",
            help="Instead of the site: a user who reads it, a phone or home automation.",
        ),
    ] = "",
    orders: Annotated[
        bool, typer.Option("--orders", help="With --reader: may give the site orders too.")
    ] = False,
    config: ConfigOption = None,
) -> None:
    """Print the broker's access rules for this site, for Mosquitto's dynamic-security plugin.

    The site may write its own branch and read its own commands, and nothing else. The output has the
    site's password in it: pipe it, do not keep it. Send it to the broker as its administrator:

    canister access | mosquitto_pub -u admin -P ... -t '$CONTROL/dynamic-security/v1' -s

    With --reader there is no password in it; a user who is new there gets one by
    `mosquitto_ctrl -u admin dynsec setClientPassword USER`.

    Example: canister access --reader phone
    """
    from monitor.app.homes import read_beside, written_beside
    from monitor.delivery.access import commands, reader_commands, reader_withdrawal, withdrawal
    from monitor.delivery.topics import Topics
    from monitor.errors import UserMistake
    from monitor.settings.load import load, password

    tree = load(config).tree
    if tree.mqtt is None or not tree.mqtt.username:
        raise UserMistake(
            "mqtt.username: none is configured; the broker tells sites apart by it: name one"
        )
    if orders and not reader:
        raise UserMistake("--orders: goes with --reader USER; the site itself takes orders")
    if reader == tree.mqtt.username:
        raise UserMistake(f"--reader {reader}: is the site's own user; name another")
    topics, user = Topics(tree.mqtt.topic_root, tree.site.id), tree.mqtt.username
    if reader and withdraw:
        body = reader_withdrawal(topics, reader)
    elif reader:
        body = reader_commands(topics, reader, orders, renew, read_beside(tree))
    elif withdraw:
        body = withdrawal(topics, user)
    else:
        body = commands(topics, user, password(tree.mqtt), renew, written_beside(tree))
    sys.stdout.write(body.decode() + "\n")
