"""Every panel's query on a real InfluxDB with rehearsed history in it, and the files as they were made.

The history: a stop of ninety minutes, six hours of a wire that hums, a cleaning by Ada, a stop that still
stands at the end, of one site with three filters and one with one (tests/support/invented_history.py).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from dashboards.description import DASHBOARDS, DATA_SOURCE, Dashboard, Panel
from dashboards.draw import Place, called, chosen, draw
from dashboards.make import HERE, as_json
from monitor.app.rehearsal import START_UTC_S
from tests.support.invented_history import DATABASE, DAY_S, fill
from tests.support.timeseries import Influx1, serving

DAYS = 6.0
PANELS = [
    pytest.param(dashboard, panel, id=f"{name}: {panel.title}")
    for name, dashboard in DASHBOARDS.items()
    for panel in dashboard.panels
]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    influx = Influx1(tmp_path_factory.mktemp("influx"))
    with serving(influx):
        until_s = fill(influx, tmp_path_factory.mktemp("sites"), DAYS)
        yield Place(influx.url, DATABASE, START_UTC_S, until_s, {})


def of(dashboard: Dashboard, place: Place, **wanted: str) -> Place:
    place.names |= chosen(dashboard, place, {"site": "", "filter": "left"} | wanted)
    return place


def panel_of(name: str, title: str) -> Panel:
    return next(p for p in DASHBOARDS[name].panels if p.title == title)


def lines(place: Place, name: str, title: str) -> dict[str, list[list[Any]]]:
    panel = panel_of(name, title)
    asked = of(DASHBOARDS[name], place)
    return {
        called(query, one): one["values"]
        for query in panel.queries
        for one in asked.ask(query.text)
    }


@pytest.mark.parametrize(("dashboard", "panel"), PANELS)
def test_every_query_gives_rows(place: Place, dashboard: Dashboard, panel: Panel) -> None:
    asked = of(dashboard, place)
    for query in panel.queries:
        series = asked.ask(query.text)
        values = [v for one in series for row in one["values"] for v in row[1:]]
        assert any(value not in (None, "") for value in values), asked.filled(query.text)
        assert not re.search(r"\$\w|\$\{", asked.filled(query.text))


def test_a_stop_is_a_stop_and_a_gap_a_gap(place: Place) -> None:
    """The stall of 0.3 and the humming wire of 0.5 of the days, as the rig was told."""
    flow = lines(place, "filter", "Flow against clean flow")
    began, hums = START_UTC_S + 0.3 * DAYS * DAY_S, START_UTC_S + 0.5 * DAYS * DAY_S
    lowest = dict(map(tuple, flow["lowest in each step"]))
    stalled = [v for at, v in lowest.items() if began + 1800 <= at <= began + 3600]
    assert stalled
    assert set(stalled) == {0}
    gap = [v for at, v in flow["flow"] if hums + 3600 <= at <= hums + 4 * 3600]
    assert len(gap) > 5
    assert set(gap) == {None}
    bars = lines(place, "filter", "Readings without a trusted flow, an hour")["not trusted"]
    assert 30 <= sum(count for _, count in bars) <= 37, "six hours, a sample every ten minutes"


def test_the_stop_that_stands_is_open_everywhere(place: Place) -> None:
    for name in DASHBOARDS:
        asked = of(DASHBOARDS[name], place)
        (one,) = asked.ask(panel_of(name, "Open alarms").queries[0].text)
        rows = [dict(zip(one["columns"], row, strict=True)) for row in one["values"]]
        stops = [r for r in rows if r["alarm"] == "flow-stopped"]
        assert [(r["site"], r["filter"], r["active"]) for r in stops] == [
            ("fish_room", "left", True)
        ]


def test_who_cleaned_and_acknowledged_is_there(place: Place) -> None:
    asked = of(DASHBOARDS["filter"], place)
    (one,) = asked.ask(panel_of("filter", "Cleanings and pauses").queries[0].text)
    did = [dict(zip(one["columns"], row, strict=True)) for row in one["values"]]
    assert {(r["event"], r["by"]) for r in did} >= {
        ("cleaned", "Ada"),
        ("acknowledged", "Ada"),
        ("paused", "Ada"),
    }


def test_every_site_and_filter_has_a_line_of_its_own(place: Place) -> None:
    assert set(lines(place, "room", "Share of clean flow")) == {"left", "right", "high"}
    assert set(lines(place, "fleet", "Worst filter of each site")) == {"fish_room", "hall"}
    assert set(lines(place, "fleet", "Warmest and coldest water")) == {
        f"{site} {what}" for site in ("fish_room", "hall") for what in ("warmest", "coldest")
    }
    heard = panel_of("fleet", "Last heard").queries[0].text
    tags = [s["tags"] for s in of(DASHBOARDS["fleet"], place).ask(heard)]
    assert len(tags) == 4
    (one,) = of(DASHBOARDS["fleet"], place, site="hall").ask(heard)
    assert one["tags"] == {"site": "hall", "filter": "left"}
    assert START_UTC_S + DAYS * DAY_S - one["values"][0][0] <= 601, "its own time, not the span's"


@pytest.mark.parametrize("name", DASHBOARDS)
def test_notes_mark_what_happened_and_pictures_can_be_drawn(
    place: Place, name: str, tmp_path: Path
) -> None:
    dashboard = DASHBOARDS[name]
    asked = of(dashboard, place)
    for note in dashboard.notes:
        (one,) = asked.ask(note.text)
        assert "words" in one["columns"], note.title
        assert all(row[one["columns"].index("words")] for row in one["values"])
    draw(dashboard, asked, tmp_path / "picture.png")
    picture = (tmp_path / "picture.png").read_bytes()
    assert picture.startswith(b"\x89PNG")
    assert len(picture) > 20_000


@pytest.mark.parametrize("name", DASHBOARDS)
def test_the_files_are_what_the_description_makes(name: str) -> None:
    text = (HERE / f"{name}.json").read_text(encoding="utf-8")
    assert text == as_json(DASHBOARDS[name]), "run .venv/bin/python -m dashboards.make"
    model = json.loads(text)
    sources = re.findall(r'"uid": "([^"]+)"', text)
    assert set(sources) == {DATA_SOURCE, model["uid"]}
    titles = [p["title"] for p in model["panels"]]
    assert len(set(titles)) == len(titles)
    for panel in model["panels"]:
        assert panel["gridPos"]["x"] + panel["gridPos"]["w"] <= 24
        if panel["type"] == "timeseries":
            assert panel["fieldConfig"]["defaults"]["custom"]["spanNulls"] is False
    boxes = [p["gridPos"] for p in model["panels"]]
    for n, a in enumerate(boxes):
        for b in boxes[n + 1 :]:
            apart = (
                a["x"] + a["w"] <= b["x"] or b["x"] + b["w"] <= a["x"]
                or a["y"] + a["h"] <= b["y"] or b["y"] + b["h"] <= a["y"]
            )  # fmt: skip
            assert apart, (a, b)


def test_no_json_lies_there_that_nobody_makes() -> None:
    assert {f.stem for f in HERE.glob("*.json")} == set(DASHBOARDS)


def test_provisioning_fits_the_dashboards() -> None:
    read = lambda name: yaml.safe_load((HERE / "provisioning" / name).read_text(encoding="utf-8"))  # noqa: E731
    (source,) = read("datasources/canister.yaml")["datasources"]
    assert source["uid"] == DATA_SOURCE
    assert source["type"] == "influxdb"
    (provider,) = read("dashboards/canister.yaml")["providers"]
    assert provider["type"] == "file"
    assert not provider["allowUiUpdates"]
