"""`canister visits` and `canister hub lessons` on what a hub knows: Redis and the books, both real."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.hub.state import State
from tests.conftest import Command, free_port
from tests.support.real_redis import RealRedis
from tests.support.sites import DAY_S, Site
from tests.unit.fleet.test_fold import everything

DAYS = 60.0


@pytest.fixture
def hub(tmp_path: Path, canister: type[Command]) -> Iterator[str]:
    """Three sites of two clients with sixty days behind them; the configuration's name."""
    (tmp_path / "redis").mkdir()
    server = RealRedis(tmp_path / "redis")
    server.start()
    file = tmp_path / "fleet.toml"
    file.write_text(
        f'[books]\nfolder = "{tmp_path}/books"\nname = "Quayside care (invented)"\n'
        f'[broker]\nhost = "127.0.0.1"\nport = {free_port()}\n[redis]\nurl = "{server.url}"\n',
        encoding="utf-8",
    )
    state = State(server.link(), "fleet", 16)
    began = time.time() - (DAYS + 1) * DAY_S
    for number, name in enumerate(("home", "shop", "hall")):
        state.apply(everything(Site(name, number, DAYS, began_utc_s=began).messages))
    from monitor.fleet.business import Client, FilterFacts
    from monitor.hub.books.books import Books

    books = Books(tmp_path / "books")
    for client in ("harbour", "hill"):
        books.clients.add(Client(client, f"{client} (invented)"), "test")
    books.sites.enrol("home", "harbour", "Home", "quay 4", "test")
    books.sites.enrol("shop", "harbour", "Shop", "quay 4", "test")
    books.sites.enrol("hall", "hill", "Hall", "hill road", "test")
    for site in ("home", "shop", "hall"):
        for name in ("tank_0", "tank_1"):
            books.filters.put(
                FilterFacts(site, name, media_card="coarse_stack", pads="20 ppi"), "test"
            )
    books.close()
    yield str(file)
    server.kill()


def test_the_work_list_comes_from_the_hub(
    canister: type[Command], hub: str, tmp_path: Path
) -> None:
    ics = tmp_path / "visits.ics"
    done = canister("visits", "--config", hub, "--week", "next", "--ics", str(ics), "--json")
    assert done.wait() == 0, done.errors
    lines = [json.loads(x) for x in done.output.splitlines()]
    named = {x["visit"]["site"] for x in lines if "visit" in x}
    named |= {x["left_out"]["site"] for x in lines if "left_out" in x}
    (plan,) = [x["plan"] for x in lines if "plan" in x]
    assert plan["sites"] == 3
    assert named <= {"home", "shop", "hall"}
    assert ics.read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")
    text = canister("visits", "--config", hub)
    assert text.wait() == 0, text.errors
    assert "3 sites looked at" in text.output
    one = canister("visits", "--config", hub, "--client", "hill", "--json")
    assert one.wait() == 0, one.errors
    assert "quay 4" not in one.output
    nobody = canister("visits", "--config", hub, "--client", "nobody")
    assert nobody.wait() == 2
    assert nobody.errors.count("\n") == 1


def test_what_the_fleet_teaches_goes_into_a_card(
    canister: type[Command], hub: str, tmp_path: Path
) -> None:
    done = canister("hub", "lessons", "--config", hub, "--json")
    assert done.wait() == 0, done.errors
    lessons = [json.loads(x) for x in done.output.splitlines()]
    assert lessons[0]["media"] == "all"
    assert lessons[0]["ended"] > 0
    assert lessons[0]["filters"] == 6
    card = tmp_path / "coarse.card.toml"
    card.write_text(
        'kind = "coarse stack (invented)"\nsource = "invented"\ninvented = true\n', encoding="utf-8"
    )
    taught = canister(
        "hub", "lessons", "--config", hub, "--media", "coarse_stack", "--card", str(card)
    )
    assert taught.wait() == 0, taught.errors
    assert "experience written for" in taught.output
    (lesson,) = [x for x in lessons if (x["media"], x["stock"]) == ("coarse_stack", "all")]
    shown = canister("card", "show", str(card))
    assert shown.wait() == 0, shown.errors
    assert f"median_days = {lesson['median']:g}" in card.read_text(encoding="utf-8")
    alone = canister("hub", "lessons", "--config", hub, "--card", str(card))
    assert alone.wait() == 2
