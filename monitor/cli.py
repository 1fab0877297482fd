"""The command `canister`."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from monitor.commands.calibrate import calibrate
from monitor.commands.card import card
from monitor.commands.check import check
from monitor.commands.cleaned import cleaned
from monitor.commands.compare import compare
from monitor.commands.pause import pause, resume
from monitor.commands.rehearse import rehearse
from monitor.commands.replay import replay
from monitor.commands.run import run
from monitor.commands.size import size
from monitor.commands.status import status

app = typer.Typer(
    name="canister",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Watches canister filters at their outlet: clean flow, cleaning due, flow stopped.",
)
for command in (
    run,
    check,
    status,
    cleaned,
    pause,
    resume,
    size,
    compare,
    calibrate,
    replay,
    rehearse,
):
    app.command()(command)
app.add_typer(card, name="card")


def _version(wanted: bool) -> None:
    if wanted:
        from monitor import __version__

        print(__version__)
        raise typer.Exit


@app.callback()
def _canister(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line; a reader that goes away, as `head` does, is no error."""
    try:
        app()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
