"""`canister pause` and `canister resume`: people stop the flow on purpose."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.commands.common import ConfigOption, JsonOption, reported


@reported
def pause(
    filter_name: Annotated[
        str | None,
        typer.Argument(metavar="[FILTER]", help="Which filter.", show_default=False),
    ] = None,
    minutes: Annotated[
        float, typer.Option("--minutes", min=1, max=480, help="It ends by itself after this.")
    ] = 15.0,
    maintenance: Annotated[
        bool,
        typer.Option("--maintenance", help="For work on the filter, up to 8 h; else feeding, 1 h."),
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Let flow alarms wait while you feed or work on a filter; it ends by itself.

    A temperature out of its band still raises its alarm.

    Example: canister pause long_tank --minutes 10
    """
    from monitor.commands.orders import give

    give("maintenance" if maintenance else "feeding", filter_name, config, json, minutes)


@reported
def resume(
    filter_name: Annotated[
        str | None,
        typer.Argument(metavar="[FILTER]", help="Which filter.", show_default=False),
    ] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """End a pause before its time.

    Example: canister resume long_tank
    """
    from monitor.commands.orders import give

    give("resume", filter_name, config, json)
