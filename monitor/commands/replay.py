"""`canister replay`: a recording through the same judging as live water."""

from __future__ import annotations

import csv
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import (
    ConfigOption,
    JsonOption,
    console,
    flow_words,
    json_line,
    reported,
    shown_event,
)
from monitor.records import Moment

_BAR_EVERY_ROWS = 2000


@reported
def replay(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="CSV file with a header line.")],
    time_column: Annotated[
        str | None,
        typer.Option("--time", metavar="COLUMN", help="Column of time: ISO 8601 or seconds."),
    ] = None,
    flow: Annotated[
        str | None, typer.Option("--flow", metavar="COLUMN", help="Column of flow.")
    ] = None,
    flow_unit: Annotated[
        str | None,
        typer.Option(
            "--flow-unit",
            metavar="UNIT",
            help="Unit of flow, where its name does not end in it: L/h, L/min, m3/h, kg/s, gal/h …",
        ),
    ] = None,
    pulses: Annotated[
        str | None,
        typer.Option("--pulses", metavar="COLUMN", help="Column of pulses since the row before."),
    ] = None,
    pulses_per_litre: Annotated[
        float,
        typer.Option("--pulses-per-litre", min=1e-6, max=1e6, help="K factor, with --pulses."),
    ] = 450.0,
    temperature: Annotated[
        str | None,
        typer.Option("--temperature", metavar="COLUMN", help="Column of water temperature."),
    ] = None,
    temperature_unit: Annotated[
        str | None, typer.Option("--temperature-unit", metavar="UNIT", help="degC, degF or K.")
    ] = None,
    learn: Annotated[
        float,
        typer.Option(
            "--learn", min=0.1, max=1440, metavar="MINUTES", help="Clean flow is learned over this."
        ),
    ] = 5.0,
    filter_name: Annotated[
        str | None,
        typer.Option("--filter", metavar="ID", help="Judge as this filter of the configuration."),
    ] = None,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:
    """Run a recording through the judging, as fast as it goes; alarms as a table or --json.

    Without --filter the clean flow is learned from the first minutes of the recording.

    Example: canister replay pond.csv --time t_s --flow outlet_kg_s --json
    """
    from monitor.app.replay import replay as play
    from monitor.app.replay import standing
    from monitor.sensing.columns import choose
    from monitor.sensing.recording import Recording

    plan = _plan(filter_name, config, pulses_per_litre, learn * 60)
    columns = choose(
        _header(file), file, time_column, flow, flow_unit, pulses, temperature, temperature_unit
    )
    recording = Recording(file, columns, plan.condition.filter_id)
    rows: list[dict[str, Any]] = []
    tell = json_line if json else rows.append
    began_s = time.perf_counter()
    with closing(recording), _bar(file, recording, json) as every:
        summary = play(recording, plan, tell, every)
    took_s = time.perf_counter() - began_s
    health = recording.health(Moment(0.0, 0.0))
    if not json:
        _table(rows)
    speed = summary.span_s / took_s if took_s > 0 else 0.0
    print(f"{health.line}; {standing(summary)}; {speed:,.0f} times real time", file=sys.stderr)


def _plan(filter_name: str | None, config: Path | None, per_litre: float, learn_s: float) -> Any:
    if filter_name is None:
        from monitor.alarms.rules import Limits
        from monitor.app.replay import unknown_filter

        return unknown_filter("recording", per_litre, learn_s, Limits())
    from monitor.app.plans import predict, watch_plan
    from monitor.errors import UserMistake
    from monitor.settings.load import load
    from monitor.settings.schema import nearest

    tree = load(config).tree
    if filter_name not in tree.filters:
        raise UserMistake(f"--filter {filter_name}: unknown{nearest(filter_name, tree.filters)}")
    predicted = predict(filter_name, tree)
    return watch_plan(filter_name, tree.filters[filter_name], predicted)


def _header(file: Path) -> list[str]:
    from monitor.errors import RecordingError

    try:
        with file.open(encoding="utf-8-sig", newline="", errors="replace") as stream:
            return [name.strip() for name in next(csv.reader(stream))]
    except OSError as error:
        raise RecordingError(
            f"{file}: cannot be read: {error.strerror}; name a CSV file"
        ) from error
    except StopIteration:
        raise RecordingError(f"{file}: is empty; name a CSV file with a header line") from None
    except csv.Error as error:
        raise RecordingError(f"{file}: not CSV: {error}; name a CSV file") from error


class _bar:  # noqa: N801  # used like a function, as context managers are
    """A progress bar on a terminal, shown once the work has lasted two seconds."""

    def __init__(self, file: Path, recording: Any, quiet: bool) -> None:
        self._recording = recording
        self._wanted = not quiet and sys.stderr.isatty()
        self._lines = _count_lines(file) if self._wanted else 0
        self._progress: Any = None
        self._began_s = time.perf_counter()
        self._rows = 0

    def __enter__(self) -> Any:
        return self._step if self._wanted else None

    def _step(self, _now: Any) -> None:
        self._rows += 1
        if self._rows % _BAR_EVERY_ROWS:
            return
        if self._progress is None and time.perf_counter() - self._began_s > 2.0:
            from rich.console import Console
            from rich.progress import Progress

            self._progress = Progress(console=Console(stderr=True), transient=True)
            self._progress.start()
            self._task = self._progress.add_task("replaying", total=self._lines)
        if self._progress is not None:
            self._progress.update(self._task, completed=self._rows)

    def __exit__(self, *_error: object) -> None:
        if self._progress is not None:
            self._progress.stop()


def _count_lines(file: Path) -> int:
    with file.open("rb") as stream:
        return sum(chunk.count(b"\n") for chunk in iter(lambda: stream.read(1 << 20), b""))


def _table(rows: list[dict[str, Any]]) -> None:
    from rich.table import Table

    if not rows:
        console().print("No alarm, and no clean flow learned.")
        return
    table = Table("time", "since start", "what", "flow", "clean flow", "evidence")
    for row in rows:
        table.add_row(
            str(row["time"]),
            f"{row['elapsed_s']:.0f} s",
            shown_event(row),
            flow_words(row["flow_l_per_h"], False),
            flow_words(row["clean_flow_l_per_h"], False),
            str(row["evidence"]),
        )
    console().print(table)
