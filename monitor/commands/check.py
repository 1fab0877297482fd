"""`canister check`: what is right, what is not, and what to do about it."""

from __future__ import annotations

from typing import Any

import typer

from monitor.commands.common import ConfigOption, JsonOption, console, json_line, literal, reported


@reported
def check(config: ConfigOption = None, json: JsonOption = False) -> None:
    """Check configuration, storage, clock, sensors and broker; a remedy for each finding.

    Exit code 0 when all works, 2 for a mistake in the configuration, 1 for anything else.

    Example: canister check --json
    """
    from monitor.app.checks import findings
    from monitor.app.finding import Verdict
    from monitor.errors import SettingsError
    from monitor.settings.load import load

    try:
        loaded = load(config)
    except SettingsError as error:
        if json:
            for problem in error.problems:
                json_line({"part": "configuration", "verdict": "failed", "line": problem})
            raise typer.Exit(2) from error
        raise
    found = list(findings(loaded.tree, loaded.file))
    failed = [f for f in found if f.verdict is Verdict.FAILED]
    if json:
        for finding in found:
            json_line(finding)
    else:
        _show(found, len(failed))
    if failed:
        raise typer.Exit(2 if any(f.mistake for f in failed) else 1)


def _show(found: list[Any], failed: int) -> None:
    from rich.table import Table

    marks = {"fine": "✓ fine", "look": "! look", "failed": "✗ failed"}
    table = Table("part", "verdict", "what was found", "what to do")
    for column in table.columns:
        column.overflow = "fold"
    for finding in found:
        style = {"failed": "bold", "fine": ""}.get(finding.verdict, "")
        words = (finding.part, marks[finding.verdict], finding.line, finding.remedy)
        row = tuple(literal(text) for text in words)
        table.add_row(*row, style=style)
    out = console()
    out.print(table)
    out.print("All works." if not failed else f"{failed} failed; the right column says what to do.")
