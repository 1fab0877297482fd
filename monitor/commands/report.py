"""`canister report`: what was done and how the filters ran, for whoever owns the tanks."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.common import ConfigOption, JsonOption, json_line, reported


@reported
def report(
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[FILTER]...", help="Only these filters; else all.", show_default=False
        ),
    ] = None,
    month: Annotated[
        str,
        typer.Option(
            "--month",
            metavar="YYYY-MM",
            help="A month; else the one before this.",
            show_default=False,
        ),
    ] = "",
    since: Annotated[
        datetime | None,
        typer.Option(
            "--from", formats=["%Y-%m-%d"], help="First day of the span.", show_default=False
        ),
    ] = None,
    until: Annotated[
        datetime | None,
        typer.Option(
            "--to", formats=["%Y-%m-%d"], help="Its last day; else today.", show_default=False
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Where it goes; else report-SPAN.html here.",
            show_default=False,
        ),
    ] = None,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Also as PDF; needs the extra report.")
    ] = False,
    units: Annotated[
        str,
        typer.Option("--units", metavar="metric|us", help="Else site.units.", show_default=False),
    ] = "",
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Write a report of a span: running, stops, cleanings and what they restored, what was done by whom.

    Example: canister report --month 2026-10 --pdf
    """
    import time

    from tzlocal import get_localzone

    from monitor.app.picture import opened
    from monitor.app.reports import Dates, gather, of_days, of_month, reader_of, write
    from monitor.errors import UserMistake
    from monitor.settings.load import load

    if month and (since or until):
        raise UserMistake("--month and --from or --to do not go together; leave one out")
    if until and not since:
        raise UserMistake("--to: without --from; name the first day too")
    if units not in ("", "metric", "us"):
        raise UserMistake(f"--units: got {units!r:.20}, expected metric or us")
    tree = load(config).tree
    for name in names or ():
        if name not in tree.filters:
            raise UserMistake(f"no filter {name!r:.40}; known: {', '.join(tree.filters)}")
    zone = get_localzone()
    now_s = time.time()
    today = datetime.fromtimestamp(now_s, zone).date()
    dates: Dates
    if since is not None:
        dates = of_days(since.date(), until.date() if until is not None else today)
    else:
        dates = of_month(month or f"{_month_before(today):%Y-%m}")
    journal = opened(tree)
    try:
        found = gather(tree, journal, dates, zone, now_s, names or ())
    finally:
        journal.close()
    file = out if out is not None else Path(f"report-{dates.name}.html")
    files = write(found, reader_of(units or tree.site.units, zone), file, pdf)
    if json:
        json_line({"files": [str(f) for f in files]})
    else:
        print("\n".join(str(f) for f in files))


def _month_before(today: date) -> date:
    return today.replace(day=1) - timedelta(1)
