"""`canister size`: clean flow of the filters as they are described."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import (
    ConfigOption,
    JsonOption,
    console,
    flow_words,
    json_line,
    percent,
    reported,
    temperature_words,
)


@reported
def size(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[FILE]...", help="Configuration files to size.", show_default=False
        ),
    ] = None,
    config: ConfigOption = None,
    materials: Annotated[
        bool, typer.Option("--materials", help="List the media materials and their sources.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Show clean flow, what each part costs, turnover, and the trade's rule beside it.

    Example: canister size deploy/examples/planted.toml
    """
    if materials:
        _materials(json)
        return
    from monitor.settings.convert import installation
    from monitor.settings.load import load
    from monitor.sizing.report import size as solve

    wanted: list[Path | None] = [*files] if files else [config]
    for file in wanted:
        tree = load(file).tree
        for name, settings in tree.filters.items():
            report = solve(installation(name, settings, tree.materials))
            if json:
                json_line(_fields(report))
            else:
                _show(report, settings.name or name, tree.site.units == "us")


def _fields(report: Any) -> dict[str, Any]:
    from monitor.units import l_per_h

    return {
        "filter": report.filter_id,
        "temperature_c": report.temperature_c,
        "clean_flow_l_per_h": round(l_per_h(report.clean_m3_per_s), 1),
        "head_m": round(report.head_m, 4),
        "rated_flow_l_per_h": round(l_per_h(report.rated_m3_per_s), 1),
        "share_of_rated": round(report.share_of_rated, 4),
        "rule_of_trade_l_per_h": round(l_per_h(report.rule_m3_per_s), 1),
        "turnover_per_h": None
        if report.turnover_per_h is None
        else round(report.turnover_per_h, 2),
        "losses": [
            {
                "part": x.label,
                "group": x.group,
                "head_m": round(x.head_m, 5),
                "share": round(x.share, 5),
            }
            for x in report.losses
        ],
        "remarks": list(report.remarks),
    }


def _show(report: Any, title: str, us: bool) -> None:
    from rich.table import Table

    from monitor.units import l_per_h

    out = console()
    flow = flow_words(l_per_h(report.clean_m3_per_s), us)
    out.print(f"[bold]{title}[/bold]: clean flow [bold]{flow}[/bold]", end="")
    out.print(
        f", {percent(report.share_of_rated)} of the pump's {flow_words(l_per_h(report.rated_m3_per_s), us)}"
        f" at zero head ({temperature_words(report.temperature_c, us)})"
    )
    out.print(
        f"The trade's rule of about half of rated (common practice, no source): "
        f"{flow_words(l_per_h(report.rule_m3_per_s), us)}"
    )
    if report.turnover_per_h is not None:
        out.print(f"Turnover: {report.turnover_per_h:.1f} tank volumes an hour when clean")
    table = Table("part", "kind", "head", "share", box=None, pad_edge=False)
    table.columns[2].justify = table.columns[3].justify = "right"
    for loss in sorted(report.losses, key=lambda row: -row.head_m):
        table.add_row(loss.label, str(loss.group), f"{loss.head_m:.3f} m", f"{loss.share:.1%}")
    table.add_row("whole circuit", "", f"{report.head_m:.3f} m", "100.0%", style="bold")
    out.print(table)
    for remark in report.remarks:
        out.print(f"• {remark}")
    out.print()


def _materials(json: bool) -> None:
    from monitor.sizing.media import MATERIALS

    if json:
        for name, material in MATERIALS.items():
            json_line({"material": name, "source": material.source, "kind": material.kind})
        return
    from rich.table import Table

    table = Table("material", "source of its figures", box=None, pad_edge=False)
    for name, material in MATERIALS.items():
        table.add_row(name, material.source.replace("[", "\\["))
    console().print(table)
