"""`canister hub lessons`: what the cleanings of the fleet teach, by media stack and stock."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.commands.common import JsonOption, json_line, reported
from monitor.commands.hub_common import HubConfigOption, office


@reported
def lessons(
    question: Annotated[
        str,
        typer.Option(
            "--question",
            metavar="cleanings|limit",
            help="Days from cleaning to cleaning, or from a cleaning to the limit.",
        ),
    ] = "cleanings",
    media: Annotated[
        str, typer.Option("--media", metavar="CARD", help="Only this media stack.")
    ] = "",
    into: Annotated[
        Path | None,
        typer.Option(
            "--into",
            metavar="FILE",
            help="Write the days of --media into this set-up card, for the next tank of the kind.",
            show_default=False,
        ),
    ] = None,
    config: HubConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Say how long filters run from one cleaning to the next, and how sure that is.

    Runs that are not over count as what they are: at least so long (Kaplan and Meier).

    Example: canister hub lessons --question limit
    """
    from monitor.app.fleet.hub import link_of, state_of
    from monitor.app.fleet.needs import records
    from monitor.errors import UserMistake
    from monitor.fleet.lessons import Question, words
    from monitor.fleet.lessons import lessons as taught

    if question not in set(Question):
        raise UserMistake(f"--question: got {question}, expected one of {', '.join(Question)}")
    if into is not None and not media:
        raise UserMistake("--into: goes with --media, whose days are written")
    with office(config) as opened:
        state = state_of(opened.tree, link_of(opened.tree))
        found = taught(records(state, opened.books), Question(question))
    if media:
        found = [one for one in found if one.media == media]
    if json:
        for one in found:
            json_line(one)
    elif not found:
        print("no filter has been cleaned yet that the hub knows of")
    else:
        for one in found:
            of = f"{one.media}, {one.stock}" if one.stock else one.media or "all filters"
            print(f"{of}: {words(one)}")
    if into is not None:
        _write(into, next((one for one in found if not one.stock), None), media)


def _write(file: Path, lesson: object, media: str) -> None:
    from monitor.app.fleet.cards import teach
    from monitor.errors import UserMistake
    from monitor.fleet.lessons import Lesson

    if not isinstance(lesson, Lesson) or lesson.median_days is None:
        raise UserMistake(
            f"--media {media}: too little is known of it to write; look without --into how much there is"
        )
    days = teach(file, lesson.median_days, lesson.ended)
    print(f"{file}: learned.days_between_cleanings = {days:g}, from {lesson.ended} cycles")
