"""`canister status`: how every filter stands now."""

from __future__ import annotations

import time
from datetime import datetime
from typing import Annotated, Any

import typer

from monitor.commands.common import (
    ConfigOption,
    JsonOption,
    console,
    flow_words,
    json_line,
    literal,
    percent,
    reported,
    shown_event,
    temperature_words,
)


@reported
def status(
    config: ConfigOption = None,
    events: Annotated[
        int, typer.Option("--events", min=0, max=1000, help="Show so many of the last events.")
    ] = 5,
    observations: Annotated[
        bool,
        typer.Option("--observations", help="Among them what the statistics merely see."),
    ] = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Stay, and draw anew every second until Ctrl-C.")
    ] = False,
    hours: Annotated[
        float, typer.Option("--hours", min=0.1, max=48, help="What the traces of --watch cover.")
    ] = 1.0,
    json: JsonOption = False,
) -> None:
    """Show how every filter stands, open alarms and what happened last.

    Example: canister status --events 20
    """
    from monitor.app.picture import look
    from monitor.app.reminders import near
    from monitor.errors import UserMistake
    from monitor.settings.load import load

    if watch and json:
        raise UserMistake("--watch and --json do not go together; leave one out")
    tree = load(config).tree
    if watch:
        from monitor.commands.watching import watch as watched

        watched(tree, hours)
        return
    picture = look(tree, events, time.time(), observations)
    today = datetime.now().astimezone().date()
    said = [reminder.words(today) for reminder in near(tree, today)]
    if json:
        for row in picture.filters:
            json_line(row)
        json_line({"site": tree.site.id, **picture.site, "reminders": said})
        return
    _show(picture, tree, said)


def _show(picture: Any, tree: Any, reminders: list[str]) -> None:
    from rich.table import Table

    out, us = console(), tree.site.units == "us"
    out.print(f"[bold]{literal(tree.site.name or tree.site.id)}[/bold]: {picture.source}")
    for line in _alarm_lines(picture.site):
        out.print(f"  {line}", style="bold")
    for row in picture.filters:
        name = tree.filters[row["filter"]].name or row["filter"]
        out.print(f"[bold]{literal(name)}[/bold]: {row['sentence']}")
        if row["simulated"]:
            out.print("    SIMULATED: no real water is watched here")
        for line in _alarm_lines(row):
            out.print(f"    {line}", style="bold")
        flow = flow_words(row["flow_l_per_h"], us)
        clean = flow_words(row["clean_flow_l_per_h"], us)
        out.print(
            f"    {'' if row['watched'] else 'when last seen: '}flow {flow} of {clean} clean ({percent(row['share_of_clean'])}, clean flow "
            f"{row['clean_flow_words']}), water {temperature_words(row['temperature_c'], us)}"
        )
    for line in picture.troubles:
        out.print(f"    needs a look: {literal(line)}", style="bold")
    for words in reminders:
        out.print(f"    reminder: {literal(words)}")
    if picture.events:
        table = Table("time (UTC)", "filter", "what", "flow", "evidence", box=None, pad_edge=False)
        for fields in picture.events:
            table.add_row(
                str(fields["time"])[:19].replace("T", " "),
                str(fields["filter"] or "site"),
                shown_event(fields),
                flow_words(fields["flow_l_per_h"], us),
                str(fields["evidence"]),
            )
        out.print(table)
    else:
        out.print("Nothing has happened yet.")


def _alarm_lines(row: dict[str, Any]) -> list[str]:
    """A line for each alarm that is not normal: whether it is open, and where it stands."""
    return [
        f"{'open alarm' if name in row['alarms'] else 'alarm'}: {name.replace('-', ' ')}, {state}"
        for name, state in row["alarm_states"].items()
    ]
