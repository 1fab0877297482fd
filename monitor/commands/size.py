"""`canister size`: clean flow of the filters as they are described."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import ConfigOption, JsonOption, console, json_line, literal, reported


@reported
def size(
    files: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[FILE]...", help="Configuration files to size.", show_default=False),
    ] = None,
    filter_name: Annotated[
        str | None,
        typer.Option("--filter", metavar="ID", help="Only this filter.", show_default=False),
    ] = None,
    measured: Annotated[
        list[float] | None,
        typer.Option(
            "--measured", min=0.001, max=100000, metavar="L_PER_H", show_default=False,
            help="A measured clean flow in L/h to hold against the model; may be given again.",
        ),
    ] = None,
    measured_error: Annotated[
        float,
        typer.Option("--measured-error", min=0.01, max=50, metavar="PERCENT",
                     help="How far each may be off (twice the standard uncertainty)."),
    ] = 5.0,
    from_monitor: Annotated[
        bool,
        typer.Option("--from-monitor", help="Take the clean flow that the monitor has learned."),
    ] = False,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="FILE.svg", show_default=False,
                     help="Draw pump curve, clean and fouled circuits and operating points."),
    ] = None,
    samples: Annotated[
        int, typer.Option("--samples", min=100, max=100000, help="Variants for the range.")
    ] = 2000,
    materials: Annotated[
        bool, typer.Option("--materials", help="List the media materials and their sources.")
    ] = False,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Show clean flow with its range, what each part costs, turnover, media, the trade's rule.

    Example: canister size deploy/examples/planted.toml --measured 270
    """
    if materials:
        _materials(json)
        return
    from monitor.commands.size_view import shown, shown_certainty, shown_plot, whole
    from monitor.settings.load import load
    from monitor.sizing.study import study

    wanted: list[Path | None] = [*files] if files else [config]
    for file in wanted:
        loaded = load(file)
        tree = loaded.tree
        us = tree.site.units == "us"
        for name in chosen_filters(tree, filter_name):
            describe = describer(tree, name)
            done = study(describe(None), datetime.now(UTC).date().toordinal())
            if not json:
                shown(console(), done, tree.filters[name].name or name, us)
                _experience(loaded.file, tree.filters[name].card, done.tank.stocking)
            flows, error = _measured(tree, name, measured, measured_error, from_monitor)
            sure = _certainty(describe, flows, error, samples)
            if json:
                json_line(whole(done, sure))
            else:
                shown_certainty(console(), sure, us)
            if plot is not None:
                target = plot if len(tree.filters) == 1 and len(wanted) == 1 else _named(plot, name)
                shown_plot(describe(None), tree.filters[name].name or name, target, us)


def chosen_filters(tree: Any, name: str | None) -> list[str]:
    """Return the filters to look at.

    Raises:
        UserMistake: the named one is unknown.
    """
    from monitor.errors import UserMistake
    from monitor.settings.schema import nearest

    if name is None:
        return list(tree.filters)
    if name not in tree.filters:
        raise UserMistake(f"--filter {name}: unknown{nearest(name, tree.filters)}")
    return [name]


def describer(tree: Any, name: str) -> Callable[[Any], Any]:
    """Return what builds the installation of a filter, from likely values or from a sampler."""
    from monitor.settings.convert import installation

    def describe(sampler: Any) -> Any:
        draw = sampler.draw if sampler is not None else None
        return installation(name, tree.filters[name], tree.materials, draw)

    return describe


def _experience(file: Path, card: str, stocking: str) -> None:
    """Say what a fleet knows of filters with this one's card, where it knows something."""
    from monitor.settings.card import experience_words, read_card

    known = experience_words(read_card(file.parent / card), stocking) if card else None
    if known is not None:
        console().print(f"Experience with this card's media: {literal(known)}", soft_wrap=True)


def _certainty(
    describe: Callable[[Any], Any], flows_l_per_h: list[float], error: float, samples: int
) -> Any:
    from monitor.sizing.study import certainty
    from monitor.units import m3_per_s

    flows = [m3_per_s(flow) for flow in flows_l_per_h]
    return certainty(describe, flows, error / 100, samples)


def _measured(
    tree: Any, name: str, given: list[float] | None, error: float, from_monitor: bool
) -> tuple[list[float], float]:
    """Measured clean flows in L/h and their error in %, from options, monitor or settings."""
    if from_monitor:
        return [_learned_l_per_h(tree, name)], error
    if given:
        return given, error
    written = tree.filters[name].measured
    return ([], error) if written is None else (list(written.flows_l_per_h), written.error_percent)


def _learned_l_per_h(tree: Any, name: str) -> float:
    from monitor.app.picture import look
    from monitor.errors import MachineError

    rows = {row["filter"]: row for row in look(tree, 0, datetime.now(UTC).timestamp()).filters}
    row = rows.get(name)
    if row is None or row["clean_flow_basis"] != "measured":
        raise MachineError(
            f"{name}: the monitor has not learned a clean flow yet; let canister run for the first "
            "steady hours, or give --measured"
        )
    return float(row["clean_flow_l_per_h"])


def _named(plot: Path, name: str) -> Path:
    return plot.with_name(f"{plot.stem}-{name}{plot.suffix}")


def _materials(json: bool) -> None:
    from monitor.sizing.media import MATERIALS

    rows = [
        {
            "material": name,
            "kind": m.kind,
            "role": m.role,
            "voidage": m.voidage,
            "opening_mm": round(m.opening_mm, 2),
            "bulk_kg_per_l": m.bulk_kg_per_l,
            "uncertainty": m.uncertainty,
            "source": m.source,
        }
        for name, m in MATERIALS.items()
    ]
    if json:
        for row in rows:
            json_line(row)
        return
    from rich.table import Table

    table = Table("material", "role", "void", "opening", "kg/L", "source", box=None, pad_edge=False)
    for row in rows:
        table.add_row(
            str(row["material"]),
            str(row["role"]),
            f"{row['voidage']:.2f}",
            f"{row['opening_mm']} mm",
            f"{row['bulk_kg_per_l']}",
            str(row["source"]).replace("[", "\\["),
        )
    console().print(table)
    console().print(
        "Sources in brackets: monitor/sizing/media.py. Resistance may be off by ±50 to 80 %."
    )
