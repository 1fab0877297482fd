"""`canister hub page` with real parts: a site that runs the daemon, broker, Redis, a browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from monitor.fleet.business import Client, Person, Role
from monitor.hub.books.books import Books
from tests.conftest import Command, Mosquitto, free_port, until
from tests.support.board import PASSWORD
from tests.support.browser import WIDTHS, chromium, kept
from tests.support.hub import BROKER, configuration
from tests.support.real_redis import RealRedis
from tests.system.test_daemon import ready, settings
from tests.system.test_page_browser import overflows, serious

_SOON_MS = 25_000


@pytest.fixture
def redis(tmp_path: Path) -> Iterator[RealRedis]:
    (tmp_path / "redis").mkdir()
    made = RealRedis(tmp_path / "redis")
    made.start()
    yield made
    made.kill()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    (tmp_path / "broker").mkdir()
    made = Mosquitto(tmp_path / "broker", BROKER)
    made.start()
    yield made
    made.kill()


@pytest.fixture
def page() -> Iterator[Page]:
    """A browser without scripts that may ask nobody but us."""
    with chromium() as browser:
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        context.set_default_timeout(_SOON_MS)
        opened = context.new_page()
        troubles: list[str] = []
        opened.on("pageerror", lambda error: troubles.append(str(error)))
        opened.on(
            "request",
            lambda asked: (
                None if asked.url.startswith("http://127.0.0.1:") else troubles.append(asked.url)
            ),
        )
        yield opened
        context.close()
        assert troubles == []


def books(folder: Path) -> None:
    made = Books(folder / "books")
    made.clients.add(Client("harbour", "Harbour rooms (invented)"), "test")
    made.clients.add(Client("hill", "Hill house (invented)"), "test")
    made.sites.enrol("test_room", "harbour", "Test room", "quay 4", "test")
    made.sites.enrol("attic", "hill", "Attic", "upper road", "test")
    people = (
        Person("olga", "Olga (invented)", Role.OWNER),
        Person("hans", "Hans (invented)", Role.CLIENT, "hill"),
    )
    for person in people:
        made.people.add(person, "test")
        made.people.set_password(person.id, PASSWORD, "test")
    made.close()


def log_in(page: Page, address: str, person: str) -> None:
    page.goto(f"{address}/login")
    page.get_by_label("Your id").fill(person)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(f"{address}/")


def looked_at(page: Page, name: str) -> None:
    """Axe finds nothing serious, nothing runs over at any width, and pictures are kept."""
    assert serious(page) == []
    kept(page, f"board-{name}")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert not overflows(page), f"{name} at {width}"


def test_a_stop_from_the_queue_to_the_site_and_back(
    canister: type[Command], broker: Mosquitto, redis: RealRedis, page: Page, tmp_path: Path
) -> None:
    books(tmp_path)
    port = free_port()
    more = f"[page]\nport = {port}\nevery_s = 1\n"
    config = str(configuration(tmp_path, broker, redis, more))
    address = f"http://127.0.0.1:{port}"
    hub = canister("hub", "run", "--config", config)
    board = canister("hub", "page", "--config", config)
    assert until(lambda: "board page: http" in board.errors, 30), board.errors
    daemon = canister(
        "run", "--config", str(settings(tmp_path, broker.port, 'faults = ["stall@6s"]'))
    )
    assert ready(daemon)
    page.goto(f"{address}/")
    page.wait_for_url(f"{address}/login")
    looked_at(page, "login")
    log_in(page, address, "olga")
    expect(page.get_by_role("link", name="Attic")).to_be_visible()

    def stopped() -> bool:
        page.goto(f"{address}/alarms")
        return page.get_by_role("article", name="Flow stopped").count() == 1

    assert until(stopped, 40, 0.5), hub.errors + board.errors
    looked_at(page, "alarms")
    alarm = page.get_by_role("article", name="Flow stopped")
    alarm.get_by_label("Assign to").select_option("olga")
    alarm.get_by_role("button", name="Assign").click()
    expect(page.locator("main")).to_contain_text("Olga (invented) looks after it now.")
    page.get_by_role("link", name="Back").click()
    page.get_by_role("article", name="Flow stopped").get_by_role(
        "button", name="Acknowledge"
    ).click()
    expect(page.locator("main")).to_contain_text("Done: left flow-stopped acknowledged")
    looked_at(page, "answer")

    def acknowledged() -> bool:
        page.goto(f"{address}/site/test_room")
        return "acknowledged by Olga (invented), on the board page" in page.inner_text("main")

    assert until(acknowledged, 20, 0.5), page.inner_text("main")
    looked_at(page, "site")
    page.get_by_role("link", name="Sites").click()
    page.get_by_label("Site, client or place").fill("quay")
    page.get_by_role("button", name="Find").click()
    expect(page.get_by_role("link", name="Test room")).to_be_visible()
    expect(page.get_by_role("link", name="Attic")).to_have_count(0)
    page.goto(f"{address}/")
    looked_at(page, "sites")
    page.get_by_role("link", name="Visits").click()
    expect(page.locator("main")).to_contain_text("left has stood still for")
    looked_at(page, "visits")
    page.get_by_role("link", name="Audit").click()
    expect(page.locator("main")).to_contain_text("alarm acknowledged")
    looked_at(page, "audit")

    # A daemon that is gone does not answer, and the page says so.
    daemon.process.kill()
    daemon.process.wait()
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url(f"{address}/login")
    log_in(page, address, "hans")
    expect(page.get_by_role("link", name="Attic")).to_be_visible()
    expect(page.locator("body")).not_to_contain_text(re.compile("Test room|Harbour|Visits|Audit"))
    looked_at(page, "client")
    assert board.stop() == 0
    assert "Traceback" not in board.errors


def test_without_redis_broker_or_people_there_is_one_line(
    canister: type[Command], redis: RealRedis, tmp_path: Path
) -> None:
    port = free_port()
    file = tmp_path / "fleet.toml"
    file.write_text(
        f'[books]\nfolder = "{tmp_path / "books"}"\n[broker]\nhost = "127.0.0.1"\nport = {free_port()}\n'
        f'[redis]\nurl = "redis://127.0.0.1:{free_port()}/0"\n[page]\nport = {port}\n',
        encoding="utf-8",
    )
    alone = canister("hub", "page", "--config", str(file))
    assert alone.wait() == 2
    assert "nobody can log in yet" in alone.errors
    assert alone.errors.count("\n") == 1
    books(tmp_path)
    board = canister("hub", "page", "--config", str(file))
    assert until(lambda: "board page: redis: " in board.errors, 30), board.errors
    second = canister("hub", "page", "--config", str(file))
    assert second.wait() == 1
    assert f"cannot listen on 127.0.0.1, port {port}" in second.errors
    assert board.stop() == 0
    assert "Traceback" not in board.errors
    assert board.errors.count("redis: ") == 1
