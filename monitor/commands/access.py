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
    config: ConfigOption = None,
) -> None:
    """Print the broker's access rules for this site, for Mosquitto's dynamic-security plugin.

    The site may write its own branch and read its own commands, and nothing else. The output has the
    site's password in it: pipe it, do not keep it. Send it to the broker as its administrator:

    canister access | mosquitto_pub -u admin -P ... -t '$CONTROL/dynamic-security/v1' -s

    Example: canister access
    """
    from monitor.delivery.access import commands, withdrawal
    from monitor.delivery.topics import Topics
    from monitor.errors import UserMistake
    from monitor.settings.load import load, password

    tree = load(config).tree
    if tree.mqtt is None or not tree.mqtt.username:
        raise UserMistake(
            "mqtt.username: none is configured; the broker tells sites apart by it: name one"
        )
    topics = Topics(tree.mqtt.topic_root, tree.site.id)
    body = (
        withdrawal(topics, tree.mqtt.username)
        if withdraw
        else commands(topics, tree.mqtt.username, password(tree.mqtt), renew)
    )
    sys.stdout.write(body.decode() + "\n")
