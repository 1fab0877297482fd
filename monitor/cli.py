"""The command `canister`."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from monitor.commands.access import access
from monitor.commands.alarms import acknowledge, shelve, trial, unshelve
from monitor.commands.calibrate import calibrate
from monitor.commands.card import card
from monitor.commands.check import check
from monitor.commands.cleaned import cleaned
from monitor.commands.commission import commission
from monitor.commands.compare import compare
from monitor.commands.history import export, take_in
from monitor.commands.hub import hub_app
from monitor.commands.join import join
from monitor.commands.page import page, page_password
from monitor.commands.pause import pause, resume
from monitor.commands.rehearse import rehearse
from monitor.commands.replay import replay
from monitor.commands.report import report
from monitor.commands.run import run
from monitor.commands.size import size
from monitor.commands.status import status
from monitor.commands.visits import visits
from monitor.commands.wiring import wiring

# What the library raises for a wrong word on the command line; it has no public name of its own.
_UsageError: Any = typer.BadParameter.__base__


class _Commands(TyperGroup):
    """Tells a wrong word on the command line in one line, as every other mistake is told."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        call = functools.partial(
            super().main, args, prog_name, complete_var, False, windows_expand_args, **extra
        )
        if not standalone_mode:
            return call()
        try:
            code = call()
        except typer.Abort:
            print("canister: given up before the end", file=sys.stderr)
            sys.exit(1)
        except _UsageError as error:
            said = error.format_message()
            if said and "\n" not in said:  # else it is the help, of a call without any word
                where = error.ctx.command_path if error.ctx is not None else "canister"
                said = f"{where}: {said} (`{where} --help` tells more)"
            if said:
                print(said, file=sys.stderr)
            sys.exit(error.exit_code)
        sys.exit(code if isinstance(code, int) else 0)


app = typer.Typer(
    name="canister",
    cls=_Commands,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Watches canister filters at their outlet: clean flow, cleaning due, flow stopped.",
)
for command in (
    run,
    check,
    status,
    acknowledge,
    shelve,
    unshelve,
    cleaned,
    pause,
    resume,
    size,
    compare,
    calibrate,
    wiring,
    commission,
    replay,
    rehearse,
    access,
    join,
    visits,
    export,
    page,
    report,
):
    app.command()(command)
app.command("test-alarm")(trial)
app.command("import")(take_in)
app.command("page-password")(page_password)
app.add_typer(card, name="card")
app.add_typer(hub_app, name="hub")


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
