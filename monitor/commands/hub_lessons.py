"""`canister hub lessons`: what the fleet's cleanings teach, and a note of it for a set-up card."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import JsonOption, json_line, reported
from monitor.commands.hub_common import HubConfigOption, office, show


@reported
def lessons(
    from_: Annotated[
        Path | None,
        typer.Option("--from", metavar="FILE",
                     help="Records from a file, one filter a line as JSON: see deploy/fleet/FLEET.md; else from the hub.",
                     show_default=False),
    ] = None,
    limit: Annotated[
        bool, typer.Option("--limit", help="Days until the limit is passed, not until the next cleaning.")
    ] = False,
    card: Annotated[
        Path | None,
        typer.Option("--card", metavar="FILE", help="Put what is known of --media into this set-up card.",
                     show_default=False),
    ] = None,
    media: Annotated[
        str | None, typer.Option("--media", metavar="NAME", help="Only of this media stack.", show_default=False)
    ] = None,
    config: HubConfigOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Show days between cleanings by media stack and stock, with what still runs taken into account.

    Example: canister hub lessons --media foam_stack --card mid.card.toml
    """
    from monitor.app.fleet.hub import link_of, state_of
    from monitor.app.fleet.lessons import noted, records_of
    from monitor.app.fleet.needs import records as records_known
    from monitor.errors import UserMistake
    from monitor.fleet.lessons import Question
    from monitor.fleet.lessons import lessons as learned

    if card is not None and media is None:
        raise UserMistake("--card: say with --media whose experience goes into it")
    if card is not None and limit:
        raise UserMistake("--card: a card keeps days between cleanings; leave --limit out")
    question = Question.LIMIT if limit else Question.CLEANINGS
    if from_ is not None:
        records, where = records_of(from_), str(from_)
    else:
        with office(config) as opened:
            state = state_of(opened.tree, link_of(opened.tree))
            records, where = records_known(state, opened.books), "the hub"
    found = learned(records, question)
    if media is not None:
        found = [x for x in found if x.media == media]
        if not found:
            raise UserMistake(f"--media {media!r}: no record in {where} is of it")
    show([_row(x) for x in found], _COLUMNS, json, "no filter was cleaned yet")
    if card is not None:
        stocks = noted(card, found, datetime.now(UTC).date())
        if json:
            json_line({"card": str(card), "stocks": stocks})
        else:
            print(f"{card}: experience written for {', '.join(stocks)}")


_COLUMNS = {"media": "Media", "stock": "Stock", "median": "Days, middle", "range": "80 % between",
            "median_range": "Middle, 95 % sure", "running": "Not over", "sure": "How sure"}  # fmt: skip


def _row(x: Any) -> dict[str, Any]:
    import msgspec

    def span(low: float | None, high: float | None) -> str:
        return f"{'?' if low is None else f'{low:.0f}'} to {'?' if high is None else f'{high:.0f}'}"

    return {
        **msgspec.structs.asdict(x),
        "media": x.media or "all",
        "stock": x.stock or "all",
        "median": None if x.median_days is None else round(x.median_days, 1),
        "range": span(x.low_days, x.high_days),
        "median_range": span(x.median_low_days, x.median_high_days),
    }
