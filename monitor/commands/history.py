"""`canister export` and `canister import`: the history to files, and from them to another board."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import ConfigOption, JsonOption, json_line, reported

FolderArgument = Annotated[Path, typer.Argument(metavar="FOLDER", show_default=False)]


@reported
def export(
    folder: FolderArgument,
    form: Annotated[
        str, typer.Option("--form", metavar="csv|parquet|line", help="How it is written.")
    ] = "csv",
    days: Annotated[
        float | None,
        typer.Option("--days", min=0.0, help="Only the last so many days.", show_default="all"),
    ] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Write samples, minutes, events and what was learned into a folder; the daemon may go on running.

    Example: canister export /media/stick/history --form csv
    """
    import time

    from monitor.app.outlet import dialect_of
    from monitor.app.takeout import Form, take_out
    from monitor.errors import UserMistake

    if form not in set(Form):
        raise UserMistake(f"--form: got {form}, expected one of {', '.join(Form)}")
    tree, journal = _journal(config, must_exist=True)
    try:
        counts = take_out(journal, folder, Form(form), dialect_of(tree), days, time.time())
    finally:
        journal.close()
    _tell(counts, f"written to {folder}", json)


@reported
def take_in(folder: FolderArgument, config: ConfigOption = None, json: JsonOption = False) -> None:
    """Take in what `canister export` wrote as csv or parquet, before the first run of this board.

    Example: canister import /media/stick/history
    """
    from monitor.app.intake import take_in as taken
    from monitor.app.outlet import ways_out
    from monitor.errors import UserMistake
    from monitor.runtime.lock import running_process

    tree, journal = _journal(config, must_exist=False)
    try:
        told = ways_out(tree)
        if running_process(journal.folder) is not None:
            raise UserMistake(f"{journal.folder}: canister run is running there; stop it first")
        counts = taken(journal, folder, told)
    finally:
        journal.close()
    _tell(counts, f"taken into {journal.file}", json)


def _journal(config: Path | None, must_exist: bool) -> tuple[Any, Any]:
    from monitor.errors import UserMistake
    from monitor.journal.file import FILE_NAME
    from monitor.journal.store import Journal
    from monitor.settings.load import load

    tree = load(config).tree
    file = Path(tree.storage.folder) / FILE_NAME
    if must_exist and not file.is_file():
        raise UserMistake(f"{file}: there is no journal; look at storage.folder")
    return tree, Journal(file.parent)


def _tell(counts: dict[str, int], what: str, json: bool) -> None:
    if json:
        json_line(counts)
        return
    said = ", ".join(f"{number} {name}" for name, number in counts.items())
    print(f"{said} {what}")
