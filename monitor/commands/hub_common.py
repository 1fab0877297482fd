"""What the commands of a hub share."""

from __future__ import annotations

import contextlib
import getpass
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.commands.common import console, json_line, literal

if TYPE_CHECKING:
    from monitor.app.fleet.office import Office

HubConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config",
        "-c",
        metavar="FILE",
        help="Configuration of the hub; else CANISTER_FLEET_CONFIG, else /etc/canister-monitor/fleet.toml.",
        show_default=False,
    ),
]


def who() -> str:
    """Return who sits at the terminal, for the audit trail."""
    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = str(os.getuid())
    behind = os.environ.get("SUDO_USER", "")
    return f"{behind} (sudo)" if behind and user == "root" else user


@contextlib.contextmanager
def office(config: Path | None) -> Iterator[Office]:
    """Open the configuration and the books of a hub."""
    from monitor.app.fleet.office import Office

    opened = Office(config, who())
    try:
        yield opened
    finally:
        opened.close()


def show(rows: list[dict[str, Any]], columns: dict[str, str], json: bool, none: str) -> None:
    """Print rows as a table or as JSON.

    Args:
        rows: to print; each is one JSON object.
        columns: title of each column, by key of the rows.
        json: one object a line instead of a table.
        none: what to say when there are no rows.
    """
    if json:
        for row in rows:
            json_line(row)
        return
    if not rows:
        print(none)
        return
    from rich.table import Table

    table = Table(*columns.values())
    for column in table.columns:
        column.overflow = "fold"
    for row in rows:
        table.add_row(*(literal(_word(row[key])) for key in columns))
    console().print(table)


def _word(value: Any) -> str:
    if value is None:
        return "–"
    return f"{value:g}" if isinstance(value, float) else str(value)


def when(utc_s: float | None) -> str | None:
    """Return a time as ISO 8601 in UTC, whole seconds."""
    if utc_s is None:
        return None
    from datetime import UTC, datetime

    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")
