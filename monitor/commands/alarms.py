"""`canister acknowledge`, `shelve`, `unshelve` and `test-alarm`: what people do with alarms."""

from __future__ import annotations

import getpass
from typing import Annotated

import typer

from monitor.commands.common import ConfigOption, JsonOption, json_line, reported

_FilterArgument = Annotated[
    str | None,
    typer.Argument(metavar="[FILTER]", help="Which filter.", show_default=False),
]
_AlarmOption = Annotated[
    str | None,
    typer.Option(
        "--alarm", metavar="ALARM", help="Which alarm, such as flow-stopped.", show_default=False
    ),
]
_ByOption = Annotated[
    str | None,
    typer.Option("--by", metavar="NAME", help="Who does it, for the record.", show_default=False),
]


def _name(by: str | None) -> str:
    if by is not None:
        return by
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user without a name
        return ""


@reported
def acknowledge(
    filter_name: Annotated[
        str | None,
        typer.Argument(
            metavar="[FILTER]", help="Which filter; without: all, and the site.", show_default=False
        ),
    ] = None,
    alarm: _AlarmOption = None,
    by: _ByOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Say that you have seen an alarm: it is not repeated for now, and goes to nobody else.

    What still stands after twelve hours (alarms.acknowledged_for_h; of low priority after a week) is
    said again.

    Example: canister acknowledge long_tank
    """
    from monitor.commands.orders import give

    give("acknowledge", filter_name, config, json, alarm=alarm or "", by=_name(by), site_too=True)


@reported
def shelve(
    alarm: Annotated[
        str, typer.Argument(metavar="ALARM", help="Which alarm, such as cleaning-due.")
    ],
    filter_name: _FilterArgument = None,
    hours: Annotated[
        float,
        typer.Option("--hours", min=0.02, max=720, help="It ends by itself after this."),
    ] = 8.0,
    out_of_service: Annotated[
        bool,
        typer.Option(
            "--out-of-service",
            help="For a filter that is not in use, up to 30 days; else up to 24 hours.",
        ),
    ] = False,
    by: _ByOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Hear nothing of one alarm for a time; it stays on record, and is judged anew afterwards.

    Example: canister shelve cleaning-due long_tank --hours 20
    """
    from monitor.commands.orders import give

    name = "out-of-service" if out_of_service else "shelve"
    give(name, filter_name, config, json, 60.0 * hours, alarm=alarm, by=_name(by))


@reported
def unshelve(
    alarm: Annotated[
        str | None,
        typer.Argument(metavar="[ALARM]", help="Which alarm; without: all.", show_default=False),
    ] = None,
    filter_name: _FilterArgument = None,
    out_of_service: Annotated[
        bool,
        typer.Option("--out-of-service", help="Put back into service what was taken out of it."),
    ] = False,
    by: _ByOption = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Hear of a shelved alarm again, before its time.

    Example: canister unshelve cleaning-due long_tank
    """
    from monitor.commands.orders import give

    name = "in-service" if out_of_service else "unshelve"
    give(name, filter_name, config, json, alarm=alarm or "", by=_name(by), site_too=not alarm)


@reported
def trial(
    wait_s: Annotated[
        float, typer.Option("--wait", min=1, max=600, help="Wait so many seconds for delivery.")
    ] = 30.0,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Raise a test alarm that goes every way a real one goes, and say whether it arrived.

    It says what the other sides have acknowledged; whether your phone rings, only you can tell.

    Example: canister test-alarm
    """
    from monitor.app.trial import try_alarm
    from monitor.settings.load import load

    found = try_alarm(load(config).tree, wait_s, _name(None))
    if json:
        json_line({"taken_after_s": found})
    for sink, after_s in {} if json else found.items():
        taken = "not taken yet" if after_s is None else f"taken after {after_s:.1f} s"
        print(f"{sink}: {taken}")
    if not found and not json:
        print("raised, and on record; no way out is configured: nobody hears of alarms")
    if not found or None in found.values():
        raise typer.Exit(1)
    if not json:
        print("now look whether it came to you, and acknowledge it: canister acknowledge")
