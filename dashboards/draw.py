"""Draws each dashboard's data as a picture, so that a person can look without Grafana.

    python -m dashboards.draw http://localhost:8086 DATABASE FOLDER --until 2026-04-11 --days 40

It asks the same queries as the panels do; matplotlib, of the extra `dev`, draws. With --site and
--filter as the dashboards' variables, else the first that there are.
"""

from __future__ import annotations

import argparse
import json
import textwrap
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dashboards.description import DASHBOARDS, Dashboard, Panel, Query

Series = list[dict[str, Any]]
_UNITS = {"litreh": "L/h", "celsius": "°C", "percent": "%", "short": ""}
_COLOURS = {"red": "#c92a2a", "orange": "#e8590c", "green": "#2b8a3e", "blue": "#1864ab"}
_DAY_S = 86400.0
_STEPS = 400  # that a picture has room for


class Place:
    """A server, the time that is looked at, and what stands for the dashboards' variables."""

    def __init__(
        self, url: str, database: str, since_s: float, until_s: float, names: Mapping[str, str]
    ) -> None:
        self._url, self._database = url.rstrip("/"), database
        self.since_s, self.until_s = since_s, until_s
        self.names = {"prefix": "canister", **names}

    def filled(self, text: str) -> str:
        """Return a query as Grafana would send it."""
        end = datetime.fromtimestamp(self.until_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        step_s = max(10, round((self.until_s - self.since_s) / _STEPS))
        whole = text.replace("now()", f"'{end}'").replace("$__interval", f"{step_s}s")
        span = f"time >= {round(self.since_s)}s AND time <= {round(self.until_s)}s"
        whole = whole.replace("$timeFilter", span)
        for name, value in self.names.items():
            whole = whole.replace(f"${{{name}}}", value).replace(f"${name}", value)
        return whole

    def ask(self, text: str) -> Series:
        """Return the series that a query answers with.

        Raises:
            RuntimeError: the server refuses it.
        """
        query = {"db": self._database, "epoch": "s", "q": self.filled(text)}
        asked = f"{self._url}/query?{urllib.parse.urlencode(query)}"
        try:
            with urllib.request.urlopen(asked, timeout=60) as answer:
                result = json.load(answer)["results"][0]
        except urllib.error.HTTPError as error:
            result = {"error": error.read().decode()}
        if "error" in result:
            raise RuntimeError(f"{query['q']}: {result['error']}")
        return list(result.get("series", []))


def draw(dashboard: Dashboard, place: Place, file: Path) -> None:
    """Draw one dashboard into a PNG."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    rows = _rows(dashboard)
    height = sum(max(p.rows for p in row) for row in rows) / 2.9
    figure = pyplot.figure(figsize=(16, height))
    figure.subplots_adjust(0.05, 1 / height / 2.6, 0.98, 1 - 0.7 / height, 2.5, 0.45)
    figure.suptitle(
        f"{dashboard.title}  ({', '.join(v for k, v in place.names.items() if k != 'prefix')})"
    )
    grid = figure.add_gridspec(len(rows), 24, height_ratios=[max(p.rows for p in r) for r in rows])
    marks = [
        (n.colour, [v[0] for s in place.ask(n.text) for v in s["values"]]) for n in dashboard.notes
    ]
    for down, row in enumerate(rows):
        left = 0
        for panel in row:
            axes = figure.add_subplot(grid[down, left : left + panel.columns])
            axes.set_title(panel.title, loc="left", fontsize=10)
            found = [(query, place.ask(query.text)) for query in panel.queries]
            if panel.kind in ("lines", "bars"):
                _lines(axes, panel, found, place, marks)
            else:
                _words(axes, panel, found)
            left += panel.columns
    figure.savefig(file, dpi=75)
    pyplot.close(figure)


def _rows(dashboard: Dashboard) -> list[list[Panel]]:
    rows: list[list[Panel]] = [[]]
    for panel in dashboard.panels:
        if sum(p.columns for p in rows[-1]) + panel.columns > 24:
            rows.append([])
        rows[-1].append(panel)
    return rows


def _lines(
    axes: Any, panel: Panel, found: list[tuple[Query, Series]], place: Place,
    marks: list[tuple[str, list[float]]],
) -> None:  # fmt: skip
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    floor: dict[float, float] = {}
    for query, series in found:
        for one in series:
            times = [datetime.fromtimestamp(v[0], UTC) for v in one["values"]]
            heights = [float("nan") if v[1] is None else v[1] for v in one["values"]]
            name = called(query, one)
            if panel.kind == "lines":
                style = {"clean flow": "--", "lowest in each step": ":"}.get(query.name, "-")
                point = "o" if len(times) < 20 else ""
                axes.plot(times, heights, style, marker=point, label=name, linewidth=1.3)
            else:
                wide = 0.8 * (
                    7 if "time(7d)" in query.text else 1 if "time(1d)" in query.text else 1 / 24
                )
                under = [floor.get(v[0], 0.0) for v in one["values"]]
                axes.bar(times, heights, width=wide, align="edge", bottom=under, label=name)
                floor |= {v[0]: floor.get(v[0], 0.0) + (v[1] or 0.0) for v in one["values"]}
    for colour, times_s in marks:
        for stamp in times_s:
            axes.axvline(
                datetime.fromtimestamp(stamp, UTC),
                color=_COLOURS[colour],
                alpha=0.35,
                linewidth=0.8,
            )
    for value, colour in panel.steps:
        if value is not None:
            axes.axhline(value, color=_COLOURS[colour], linestyle=(0, (6, 6)), linewidth=0.8)
    if panel.from_zero:
        axes.set_ylim(bottom=0)
    axes.set_xlim(
        datetime.fromtimestamp(place.since_s, UTC), datetime.fromtimestamp(place.until_s, UTC)
    )
    locator = AutoDateLocator()
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    axes.set_ylabel(_UNITS[panel.unit])
    axes.legend(fontsize=7, loc="best", ncols=4, framealpha=0.6)


def called(query: Query, one: dict[str, Any]) -> str:
    """Return what a line is called: Grafana puts the tags' values into the alias."""
    name = query.name
    for tag, value in one.get("tags", {}).items():
        name = name.replace(f"$tag_{tag}", value or "site")
    return name


def _words(axes: Any, panel: Panel, found: list[tuple[Query, Series]]) -> None:
    axes.axis("off")
    lines = []
    for query, series in found:
        for one in series:
            tags = list(one.get("tags", {}).values())
            for values in one["values"][:8] if panel.kind == "table" else one["values"][-1:]:
                if panel.kind == "number":
                    lines.append(
                        f"{called(query, one)} {values[1]:.4g} {_UNITS[panel.unit]}".strip()
                    )
                    continue
                at = datetime.fromtimestamp(values[0], UTC).strftime("%m-%d %H:%M")
                rest = [
                    f"{v:.1f}" if isinstance(v, float) else str(v)
                    for v in values[1:]
                    if v not in (None, "")
                ]
                lines.append(
                    textwrap.shorten(" | ".join([at, *tags, *rest]), round(panel.columns * 7.5))
                )
    size = 15 if panel.kind == "number" and len(lines) < 2 else 8
    axes.text(0, 0.98, "\n".join(lines) or "nothing", va="top", fontsize=size, family="monospace",
              transform=axes.transAxes)  # fmt: skip


def main() -> None:
    """Draw all of them."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("url")
    parser.add_argument("database")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--until", default=datetime.now(UTC).isoformat())
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--site", default="")
    parser.add_argument("--filter", default="")
    asked = parser.parse_args()
    end = datetime.fromisoformat(asked.until)
    until_s = (end if end.tzinfo else end.replace(tzinfo=UTC)).timestamp()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for name, dashboard in DASHBOARDS.items():
        place = Place(asked.url, asked.database, until_s - asked.days * _DAY_S, until_s, {})
        place.names |= chosen(dashboard, place, {"site": asked.site, "filter": asked.filter})
        draw(dashboard, place, asked.folder / f"{name}.png")
        print(asked.folder / f"{name}.png")


def chosen(dashboard: Dashboard, place: Place, wanted: Mapping[str, str]) -> dict[str, str]:
    """Return a value for each variable: the wanted one, all where there may be several, else the first."""
    found: dict[str, str] = {}
    for name, _, query, several in dashboard.variables:
        place.names |= found
        there = [values[1] for one in place.ask(query) for values in one["values"]]
        if not there and not wanted.get(name):
            raise RuntimeError(f"there is no {name} in this database")
        found[name] = wanted.get(name) or (".*" if several else there[0])
    return found


if __name__ == "__main__":
    main()
