"""What the commands share: options, output, units for people, errors as lines."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, TypeVar

import msgspec
import typer

from monitor.errors import CanisterError, SettingsError
from monitor.units import LITRES_PER_US_GALLON, fahrenheit

ConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config",
        "-c",
        metavar="FILE",
        help="Configuration file; else CANISTER_CONFIG, else /etc/canister-monitor/canister.toml.",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, one object a line.")]

_F = TypeVar("_F", bound=Callable[..., Any])


def reported(command: _F) -> _F:
    """Turn the program's own errors into lines on standard error and an exit code."""

    @functools.wraps(command)
    def inner(*arguments: Any, **options: Any) -> Any:
        try:
            return command(*arguments, **options)
        except SettingsError as error:
            for problem in error.problems:
                print(f"canister: {problem}", file=sys.stderr)
            raise typer.Exit(error.exit_code) from error
        except CanisterError as error:
            print(f"canister: {error}", file=sys.stderr)
            raise typer.Exit(error.exit_code) from error

    return inner  # type: ignore[return-value]


def json_line(value: Any) -> None:
    """Print one JSON object on one line, at once."""
    print(msgspec.json.encode(value).decode(), flush=True)


def console() -> Any:
    """Return a rich console for standard output."""
    from rich.console import Console

    return Console(highlight=False)


def literal(text: str) -> str:
    """Return a user's own words so that rich prints them as they are, brackets and all."""
    from rich.markup import escape

    return escape("".join(c if c.isprintable() else "?" for c in text))


def flow_words(flow_l_per_h: float | None, us: bool) -> str:
    """Return a flow for people, a dash for none."""
    if flow_l_per_h is None:
        return "–"
    if us:
        return f"{flow_l_per_h / LITRES_PER_US_GALLON:.0f} gal/h"
    return f"{flow_l_per_h:.0f} L/h"


def temperature_words(temperature_c: float | None, us: bool) -> str:
    """Return a temperature for people, a dash for none."""
    if temperature_c is None:
        return "–"
    return f"{fahrenheit(temperature_c):.1f} °F" if us else f"{temperature_c:.1f} °C"


def percent(share: float | None) -> str:
    """Return a share as whole per cent, a dash for none."""
    return "–" if share is None else f"{share:.0%}"


def shown_event(fields: dict[str, Any]) -> str:
    """Return what happened in the trade's words."""
    said = {
        "clean-flow-learned": "clean flow learned",
        "cleaned": "cleaned",
        "cleaned-undone": "cleaning taken back",
        "pause-ended": "pause over",
    }
    if fields["alarm"] is None:
        return said.get(str(fields["event"]), str(fields["event"]))
    happened = {"repeated": "still stands", "escalated": "nobody has acknowledged it"}
    what = happened.get(str(fields["event"]), str(fields["event"]).replace("-", " "))
    return f"{str(fields['alarm']).replace('-', ' ')}: {what}"
