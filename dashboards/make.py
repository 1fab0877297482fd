"""Writes the dashboards' JSON anew from their description: python -m dashboards.make

A test makes them again and compares; they are never edited by hand.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from dashboards.description import DASHBOARDS, DATA_SOURCE, Dashboard, Note, Panel, Query

HERE = Path(__file__).resolve().parent
_SOURCE = {"type": "influxdb", "uid": DATA_SOURCE}
_KINDS = {"lines": "timeseries", "bars": "timeseries", "number": "stat", "table": "table"}
_WIDE = 24


def as_json(dashboard: Dashboard) -> str:
    """Return a dashboard as Grafana takes it, the same text for the same description."""
    return json.dumps(_model(dashboard), indent=2, ensure_ascii=False) + "\n"


def _model(dashboard: Dashboard) -> dict[str, Any]:
    return {
        "uid": dashboard.uid,
        "title": dashboard.title,
        "description": dashboard.says,
        "tags": ["canister"],
        "schemaVersion": 39,
        "version": 1,
        "editable": False,
        "graphTooltip": 1,
        "refresh": "1m",
        "time": {"from": dashboard.since, "to": "now"},
        "timezone": "browser",
        "annotations": {"list": [_note(note) for note in dashboard.notes]},
        "templating": {"list": [_prefix(), *(_variable(*v) for v in dashboard.variables)]},
        "links": [
            {"type": "dashboards", "tags": ["canister"], "asDropdown": False, "title": "",
             "includeVars": True, "keepTime": True}
        ],
        "panels": _placed(dashboard.panels),
    }  # fmt: skip


def _placed(panels: tuple[Panel, ...]) -> list[dict[str, Any]]:
    """From left to right; what finds no room any more begins a new row."""
    found, x, y, tallest = [], 0, 0, 0
    for number, panel in enumerate(panels, 1):
        if x + panel.columns > _WIDE:
            x, y, tallest = 0, y + tallest, 0
        place = {"x": x, "y": y, "w": panel.columns, "h": panel.rows}
        found.append({"id": number, "gridPos": place, **_panel(panel)})
        x, tallest = x + panel.columns, max(tallest, panel.rows)
    return found


def _panel(panel: Panel) -> dict[str, Any]:
    return {
        "type": _KINDS[panel.kind],
        "title": panel.title,
        "description": panel.says,
        "datasource": _SOURCE,
        "targets": [_target(q, chr(ord("A") + n), panel) for n, q in enumerate(panel.queries)],
        "fieldConfig": {"defaults": _defaults(panel), "overrides": _overrides(panel)},
        "options": _options(panel),
    }


def _target(query: Query, letter: str, panel: Panel) -> dict[str, Any]:
    return {
        "refId": letter,
        "datasource": _SOURCE,
        "rawQuery": True,
        "query": query.text,
        "alias": query.name,
        "resultFormat": "table" if panel.kind == "table" else "time_series",
    }


def _defaults(panel: Panel) -> dict[str, Any]:
    found: dict[str, Any] = {"unit": panel.unit, "noValue": "nothing"}
    if panel.from_zero:
        found["min"] = 0
    if panel.steps:
        steps = [{"value": value, "color": colour} for value, colour in panel.steps]
        found["thresholds"] = {"mode": "absolute", "steps": steps}
    if panel.kind in ("lines", "bars"):
        found["custom"] = {
            "drawStyle": "line" if panel.kind == "lines" else "bars",
            # What is missing stays missing: never a line across it, never a zero.
            "spanNulls": False,
            "lineWidth": 2,
            "fillOpacity": 0 if panel.kind == "lines" else 70,
            "showPoints": "auto",
            "stacking": {"mode": "normal" if panel.kind == "bars" else "none"},
            "thresholdsStyle": {"mode": "dashed" if panel.steps else "off"},
        }
    return found


def _overrides(panel: Panel) -> list[dict[str, Any]]:
    """Clean flow is a dashed line, so that colour is not all that tells it from flow."""
    return [
        {
            "matcher": {"id": "byName", "options": query.name},
            "properties": [{"id": "custom.lineStyle", "value": {"fill": "dash", "dash": dash}}],
        }
        for query, dash in ((q, {"clean flow": [10, 6], "lowest in each step": [2, 4]}.get(q.name)) for q in panel.queries)
        if dash is not None and panel.kind == "lines"
    ]  # fmt: skip


def _options(panel: Panel) -> dict[str, Any]:
    if panel.kind == "number":
        return {
            "reduceOptions": {"calcs": ["lastNotNull"], "fields": "", "values": False},
            "colorMode": "value" if panel.steps else "none",
            "textMode": "auto",
        }
    if panel.kind == "table":
        return {"showHeader": True}
    return {
        "legend": {"displayMode": "list", "placement": "bottom"},
        "tooltip": {"mode": "multi"},
    }


def _note(note: Note) -> dict[str, Any]:
    return {
        "name": note.title,
        "datasource": _SOURCE,
        "enable": True,
        "iconColor": note.colour,
        "query": note.text,
        "textColumn": "words",
        "tagsColumn": "alarm,filter" if '"alarm"' in note.text.split("FROM")[0] else "site,filter",
    }


def _prefix() -> dict[str, Any]:
    """influx.prefix of the sites; constant, and hidden."""
    return {"name": "prefix", "type": "constant", "query": "canister", "hide": 2,
            "current": {"text": "canister", "value": "canister"}}  # fmt: skip


def _variable(name: str, label: str, query: str, several: bool) -> dict[str, Any]:
    found: dict[str, Any] = {
        "name": name,
        "label": label,
        "type": "query",
        "datasource": _SOURCE,
        "query": query,
        "definition": query,
        "refresh": 2,
        "sort": 1,
        "multi": several,
        "includeAll": several,
    }
    if several:
        found |= {"allValue": ".*", "current": {"text": ["All"], "value": ["$__all"]}}
    return found


def main() -> None:
    """Write every file."""
    for name, dashboard in DASHBOARDS.items():
        (HERE / f"{name}.json").write_text(as_json(dashboard), encoding="utf-8")


if __name__ == "__main__":
    main()
