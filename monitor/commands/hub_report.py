"""`canister hub report`: a month of a client's sites for the client, from history and books."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.common import JsonOption, json_line, reported
from monitor.commands.hub_common import HubConfigOption, office


@reported
def report(
    client: Annotated[
        str | None, typer.Argument(metavar="[CLIENT]", help="Whose sites.", show_default=False)
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Every client, a file for each.")] = False,
    month: Annotated[
        str, typer.Option("--month", metavar="YYYY-MM", help="A month, or last: the one before this.")
    ] = "last",
    folder: Annotated[
        Path, typer.Option("--folder", metavar="DIR", help="Where CLIENT-MONTH.html goes.")
    ] = Path(),
    units: Annotated[str, typer.Option("--units", metavar="metric|us", help="The reader's.")] = "metric",
    form: Annotated[
        str, typer.Option("--form", metavar="html|pdf", help="PDF needs the extra report.")
    ] = "html",
    config: HubConfigOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Write what a client is told of a month: running, stops, cleanings, silence, what was done by whom.

    Example: canister hub report north_house --month 2026-10 --form pdf
    """
    import time

    from tzlocal import get_localzone

    from monitor.app.fleet.client_report import Gatherer, NothingThereError, window, write_client
    from monitor.app.fleet.hub import past_of
    from monitor.app.reports import of_month, reader_of
    from monitor.errors import UserMistake

    if (client is None) is not every:
        raise UserMistake("hub report: name a client, or say --all for every one; not both")
    if units not in ("metric", "us"):
        raise UserMistake(f"--units: got {units!r:.20}, expected metric or us")
    if form not in ("html", "pdf"):
        raise UserMistake(f"--form: got {form!r:.20}, expected html or pdf")
    zone, now_s = get_localzone(), time.time()
    today = datetime.fromtimestamp(now_s, zone).date()
    before = today.replace(day=1) - timedelta(1)
    dates = of_month(f"{before:%Y-%m}" if month == "last" else month)
    over = window(dates, zone, now_s)
    written: list[Path] = []
    with office(config) as opened:
        books = opened.books
        clients = books.clients.all() if client is None else [books.clients.get(client)]
        gatherer = Gatherer(books, past_of(opened.tree), opened.tree.books.name, zone)
        for one in clients:
            try:
                found = gatherer.gather(one, over)
            except NothingThereError as error:
                if client is not None:
                    raise
                print(f"canister: {error}", file=sys.stderr)
                continue
            file = folder / f"{one.id}-{dates.name}.{form}"
            written.append(write_client(found, reader_of(units, zone), file))
            if not json:
                print(file, flush=True)
    if not written:
        raise UserMistake(f"hub report --all: nothing of {dates.words} could be told to any client")
    if json:
        json_line({"files": [str(file) for file in written]})
