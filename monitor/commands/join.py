"""`canister join`: takes the bundle that lets this board publish to a fleet's broker."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.common import ConfigOption, reported


@reported
def join(
    bundle: Annotated[
        Path, typer.Argument(metavar="FILE", help="What `canister hub enrol` or `rotate` wrote.")
    ],
    config: ConfigOption = None,
) -> None:
    """Join a fleet: broker, site id and password from a bundle go into this board's configuration.

    The old configuration is kept beside the new one. A bundle with a new password needs no restart.

    Example: canister join north_hall.bundle.toml
    """
    from monitor.settings.load import chosen_file

    if not joined(chosen_file(config), bundle):
        raise typer.Exit(1)


def joined(file: Path, bundle: Path) -> bool:
    """Take a bundle and say what was done; return whether all of it is in place."""
    from monitor.app.commission.walk import stamp
    from monitor.app.join import join as take

    done = take(file, bundle, stamp(datetime.now(UTC)))
    for line in done.lines:
        print(line, flush=True)
    return done.in_place
