"""The distribution's Chromium, headless, and a page beside a daemon for it to look at."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.conftest import ROOT
from tests.support.paged_site import PASSWORD, PagedSite

OUTPUT = ROOT / "tests" / "output" / "page"
WIDTHS = (360, 1440)
_QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run", "--disable-default-apps",
)  # fmt: skip


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser with a folder of its own; it ends with the block."""
    binary = shutil.which("chromium")
    if binary is None:
        pytest.fail("chromium is missing; tests/run installs it")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=binary, args=list(_QUIET))
        try:
            yield browser
        finally:
            browser.close()


def log_in(page: Page, site: PagedSite, by: str = "Ada") -> None:
    """Log in as a person would."""
    page.goto(f"{site.address}/login")
    page.get_by_label("Your name").fill(by)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(f"{site.address}/")


def kept(page: Page, name: str) -> None:
    """Keep pictures of a screen, narrow and wide, light and dark, for a person to look at."""
    OUTPUT.mkdir(parents=True, exist_ok=True)
    before = page.viewport_size
    for width in WIDTHS:
        for scheme in ("light", "dark"):
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            page.screenshot(path=OUTPUT / f"{name}-{width}-{scheme}.png", full_page=True)
    page.emulate_media(color_scheme="light")
    if before is not None:
        page.set_viewport_size(before)


def within(found: object, limit_s: float = 20.0) -> bool:
    """Wait for something to hold while the browser goes on."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if found():  # type: ignore[operator]
            return True
        time.sleep(0.1)
    return False
