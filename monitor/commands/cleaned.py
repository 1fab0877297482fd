"""`canister cleaned`: the user has cleaned a filter, or takes that back."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.commands.common import ConfigOption, JsonOption, reported


@reported
def cleaned(
    filter_name: Annotated[
        str | None,
        typer.Argument(
            metavar="[FILTER]",
            help="Which filter; may be left out when there is one.",
            show_default=False,
        ),
    ] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take the last cleaning back: it was not cleaned.")
    ] = False,
    new_filter: Annotated[
        bool,
        typer.Option("--new-filter", help="Another pump or filter: forget the old clean flow."),
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Say that a filter has been cleaned: its clean flow is learned anew.

    Example: canister cleaned long_tank
    """
    from monitor.commands.orders import give
    from monitor.errors import UserMistake

    if undo and new_filter:
        raise UserMistake("cleaned: --undo and --new-filter given, expected one of them")
    name = "cleaned-undo" if undo else "renewed" if new_filter else "cleaned"
    give(name, filter_name, config, json)
