"""`canister compare`: two set-ups side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import JsonOption, console, flow_words, json_line, literal, reported


@reported
def compare(
    first: Annotated[str, typer.Argument(metavar="A", help="FILE or FILE:FILTER.")],
    second: Annotated[str, typer.Argument(metavar="B", help="FILE or FILE:FILTER.")],
    json: JsonOption = False,
) -> None:
    """Compare two set-ups: clean flow with its range, and what each kind of part costs.

    Example: canister compare deploy/examples/pair.toml:west deploy/examples/pair.toml:east
    """
    from monitor.commands.size import describer
    from monitor.sizing.study import certainty, study

    sides = []
    for text in (first, second):
        tree, name = set_up(text)
        describe = describer(tree, name)
        sides.append((text, study(describe(None), None), certainty(describe)))
    us = set_up(first)[0].site.units == "us"
    if json:
        json_line(_fields(sides))
    else:
        _show(sides, us)


def set_up(text: str) -> tuple[Any, str]:
    """Return the settings and the filter that `FILE` or `FILE:FILTER` means.

    Raises:
        UserMistake: the file has several filters and none is named, or the named one is unknown.
        SettingsError: the file cannot be used.
    """
    from monitor.errors import UserMistake
    from monitor.settings.load import load
    from monitor.settings.schema import nearest

    file, colon, name = text, "", ""
    if not Path(text).is_file():
        file, colon, name = text.rpartition(":")
    tree = load(Path(file or text)).tree
    if not colon:
        if len(tree.filters) > 1:
            raise UserMistake(
                f"{text}: name the filter as FILE:ID; it has {', '.join(tree.filters)}"
            )
        return tree, next(iter(tree.filters))
    if name not in tree.filters:
        raise UserMistake(f"{text}: no filter {name}{nearest(name, tree.filters)}")
    return tree, name


def _groups(study: Any) -> dict[str, float]:
    return {str(row.label): row.head_m for row in study.report.groups}


def _fields(sides: list[Any]) -> dict[str, Any]:
    from monitor.commands.size_view import whole

    first, second = (study.report.clean_m3_per_s for _, study, _ in sides)
    return {
        "a": {"name": sides[0][0], **whole(sides[0][1], sides[0][2])},
        "b": {"name": sides[1][0], **whole(sides[1][1], sides[1][2])},
        "b_over_a": round(second / first, 4),
    }


def _show(sides: list[Any], us: bool) -> None:
    from rich.table import Table

    from monitor.commands.size_view import range_line
    from monitor.units import l_per_h

    out = console()
    table = Table("", *(literal(name) for name, _, _ in sides), box=None, pad_edge=False)
    flows = [study.report.clean_m3_per_s for _, study, _ in sides]
    table.add_row("clean flow", *(flow_words(l_per_h(q), us) for q in flows), style="bold")
    groups = [_groups(study) for _, study, _ in sides]
    for group in sorted(
        {*groups[0], *groups[1]}, key=lambda g: -max(x.get(g, 0.0) for x in groups)
    ):
        table.add_row(f"head: {group}", *(f"{x.get(group, 0.0):.3f} m" for x in groups))
    table.add_row("share of rated", *(f"{s.report.share_of_rated:.0%}" for _, s, _ in sides))
    turnovers = [s.report.turnover_per_h for _, s, _ in sides]
    table.add_row("turnover an hour", *("–" if t is None else f"{t:.1f}" for t in turnovers))
    out.print(table)
    for name, _, sure in sides:
        out.print(f"{literal(name)}: {range_line(sure.spread, us)}")
    change = flows[1] / flows[0] - 1
    apart = sides[0][2].spread.high < sides[1][2].spread.low or (
        sides[1][2].spread.high < sides[0][2].spread.low
    )
    sure_words = "more than the ranges leave open" if apart else "the ranges overlap"
    out.print(
        f"B moves {abs(change):.0%} {'more' if change >= 0 else 'less'} than A; {sure_words}."
    )
