"""The page in a real browser, fed by a daemon on the rig."""

from __future__ import annotations

import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from tests.conftest import Command
from tests.support.browser import WIDTHS, chromium, kept, log_in
from tests.support.paged_site import PagedSite
from tests.support.past import live_through

# Long enough for a machine whose cores are all busy.
_SOON_MS = 25_000
_TABS = 60


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    context.set_default_timeout(_SOON_MS)
    opened = context.new_page()
    troubles: list[str] = []
    opened.on("pageerror", lambda error: troubles.append(str(error)))
    opened.on(
        "console",
        lambda said: troubles.append(said.text) if "Content Security" in said.text else None,
    )
    opened.on(
        "request",
        lambda asked: (
            None if asked.url.startswith("http://127.0.0.1:") else troubles.append(asked.url)
        ),
    )
    yield opened
    context.close()
    assert troubles == []


def serious(page: Page) -> list[str]:
    """What axe-core finds that keeps people out, on this screen in light and dark."""
    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        page.wait_for_timeout(400)  # colours fade
        for one in Axe().run(page).response["violations"]:
            if one["impact"] in ("serious", "critical"):
                found += [f"{scheme}: {one['id']}: {node['html'][:200]}" for node in one["nodes"]]
    page.emulate_media(color_scheme="light")
    return found


def overflows(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth > window.innerWidth"))


def test_an_alarm_from_its_coming_to_the_cleaning_and_the_forecast_anew(
    browser: Browser, page: Page, canister: type[Command], tmp_path: Path
) -> None:
    site = PagedSite(tmp_path, canister, 'faults = ["stall@14s+1h"]')
    live_through(site.file, 15.0, time.time() - 5)
    site.start_daemon()
    site.start_page()
    page.goto(f"{site.address}/login")
    assert serious(page) == []
    log_in(page, site)
    card = page.get_by_role("region", name="Left tank")
    expect(card).to_contain_text("cleaning due in about")
    expect(card).to_contain_text("Simulated: no real water is watched here")
    kept(page, "running")
    assert serious(page) == []

    # The forecast stands in the filter's own view too; nothing is loaded anew from here on.
    own = page.context.new_page()
    own.goto(f"{site.address}/filter/left")
    expect(own.locator(".fan")).to_have_count(1)
    assert serious(own) == []
    kept(own, "filter")

    stopped = card.get_by_role("article", name="Flow stopped")
    expect(stopped).to_contain_text("nobody has acknowledged it", timeout=_SOON_MS)
    for words in ("Cause", "What to do", "If nothing is done", "act now"):
        expect(stopped).to_contain_text(words)
    expect(page.locator("#announce")).to_have_text("Open: Left tank (invented): flow stopped.")
    kept(page, "alarm")
    assert serious(page) == []

    stopped.get_by_role("button", name="Acknowledge").click()
    expect(page.locator("#answer")).to_have_text("Done: left flow-stopped acknowledged.")
    expect(stopped).to_contain_text("open, acknowledged by Ada, on the page")
    stopped.get_by_label("Shelve for").select_option("60")
    stopped.get_by_role("button", name="Shelve").click()
    expect(stopped).to_contain_text(re.compile(r"shelved until .*, then it is heard again"))
    stopped.get_by_role("button", name="Hear it again").click()
    expect(stopped).not_to_contain_text("shelved until")

    card.get_by_role("button", name="I have cleaned it").click()
    expect(page.locator("#answer")).to_have_text("Done: clean flow is being learned anew.")
    expect(card).to_contain_text("Last cleaned")
    expect(own.locator(".fan")).to_have_count(0)
    expect(own.get_by_text("Cleaning due: no")).to_be_visible()
    card.get_by_role("button", name="take it back").click()
    expect(own.locator(".fan")).to_have_count(1)

    card.get_by_role("button", name="Begin pause").click()
    expect(card).to_contain_text("Paused for feeding until")
    card.get_by_role("button", name="End the pause").click()
    expect(card.get_by_role("button", name="Begin pause")).to_be_visible()
    for width in WIDTHS:
        for tab in (page, own):
            tab.set_viewport_size({"width": width, "height": 800})
            assert not overflows(tab)


def tab_to(page: Page, wanted: str) -> None:
    """Press the Tab key until what is wanted has the focus, and see that it shows."""
    for _ in range(_TABS):
        page.keyboard.press("Tab")
        said, outline = page.evaluate(
            "(() => {const e = document.activeElement; return [e.innerText || e.name || '',"
            " getComputedStyle(e).outlineStyle + getComputedStyle(e).outlineWidth]})()"
        )
        if wanted in said:
            assert outline == "solid3px"
            return
    pytest.fail(f"{wanted} cannot be reached by the Tab key")


def test_everything_by_the_keyboard(page: Page, canister: type[Command], tmp_path: Path) -> None:
    site = PagedSite(tmp_path, canister, 'faults = ["stall@3s+1h"]')
    site.start_daemon()
    site.start_page()
    page.goto(site.address)
    page.keyboard.type("wrong wrong wrong")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_have_text("That is not the password.")
    page.keyboard.type("correct horse battery staple")
    page.keyboard.press("Enter")
    page.wait_for_url(f"{site.address}/")
    expect(page.get_by_role("article", name="Flow stopped")).to_be_visible(timeout=_SOON_MS)
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="To the content")).to_be_focused()
    page.keyboard.press("Enter")
    tab_to(page, "Acknowledge")
    page.keyboard.press("Enter")
    expect(page.get_by_role("article", name="Flow stopped")).to_contain_text(
        "open, acknowledged by the page"
    )
    # What had the focus is gone; it stays in the card and does not fall back to the top.
    assert page.evaluate("document.activeElement.closest('section') !== null")
    tab_to(page, "Shelve")
    page.keyboard.press("Space")
    expect(page.get_by_role("article", name="Flow stopped")).to_contain_text("shelved until")
    tab_to(page, "I have cleaned it")
    page.keyboard.press("Enter")
    expect(page.locator("#answer")).to_contain_text("Done: clean flow is being learned anew.")
    page.keyboard.press("Escape")
    expect(page.locator("#answer")).to_have_text("")
    tab_to(page, "Days, forecast and cleanings")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("/filter/left"))
    tab_to(page, "90 days")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("days=90"))
    tab_to(page, "Log out")
    page.keyboard.press("Enter")
    page.wait_for_url(f"{site.address}/login")


def test_nothing_old_is_shown_as_new(page: Page, canister: type[Command], tmp_path: Path) -> None:
    site = PagedSite(tmp_path, canister)
    first = site.start_page()
    log_in(page, site)
    expect(page.get_by_text("Nothing to show yet")).to_be_visible()
    kept(page, "empty")
    assert serious(page) == []
    daemon = site.start_daemon()
    page.reload()
    expect(page.locator("#site-watch")).to_contain_text("Live")
    expect(page.locator("#left-sentence")).to_be_visible(timeout=_SOON_MS)
    daemon.process.send_signal(signal.SIGSTOP)
    expect(page.locator("#left-sentence")).to_have_text(
        re.compile(r"^No news for \d+ s: the filter may run or not\.$"), timeout=_SOON_MS
    )
    expect(page.locator("#left-figures")).to_contain_text("As last seen:")
    kept(page, "stale")
    assert serious(page) == []
    daemon.process.send_signal(signal.SIGCONT)
    expect(page.locator("#site-watch")).to_contain_text("Live")
    daemon.stop()
    expect(page.locator("#site-watch")).to_contain_text("Nobody watches")
    first.stop()
    expect(page.locator("#lost")).to_contain_text("Cut off from the page since")
    kept(page, "cut-off")
    assert serious(page) == []
    site.start_page()
    expect(page.locator("#lost")).to_have_text("")
