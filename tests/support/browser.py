"""The distribution's Chromium, headless, and a page beside a daemon for it to look at."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from monitor.page.password import keep, made
from tests.conftest import ROOT, Command, free_port, until

PASSWORD = "correct horse battery staple"
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


class PagedSite:
    """An invented site: its configuration, the daemon and the page as child processes."""

    def __init__(
        self, folder: Path, canister: type[Command], rig: str = "", more: str = ""
    ) -> None:
        self.folder, self.canister = folder, canister
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self.file = folder / "canister.toml"
        self.file.write_text(
            f"""
[site]
id = "cellar"
name = "Cellar (invented)"
source = "rig"
[rig]
{rig}
[storage]
folder = "{folder}/state"
live_file = "{folder}/live.json"
commit_every_s = 2
[page]
port = {self.port}
password_file = "{folder}/own/password"
[filters.left]
name = "Left tank (invented)"
flow_sensor = {{ pin = 17, bore_mm = 16 }}
probe = {{ rom_id = "28-0123456789ab" }}
pump = {{ rated_flow_l_per_h = 1000, max_head_m = 1.5 }}
tank = {{ volume_l = 180, temperature_c = 25, min_c = 23, max_c = 27 }}
limits = {{ flow_stopped_hold_s = 2, clear_hold_s = 2 }}
[filters.left.hoses.both]
bore_mm = 16
length_m = 3
{more}
""",
            encoding="utf-8",
        )
        keep(folder / "own" / "password", made(PASSWORD))
        self.daemon: Command | None = None
        self.page: Command | None = None

    def start_daemon(self) -> Command:
        self.daemon = self.canister("run", "--config", str(self.file))
        assert until(lambda: "watching left" in self.daemon.errors, 30), self.daemon.errors
        return self.daemon

    def start_page(self) -> Command:
        self.page = self.canister("page", "--config", str(self.file))
        assert until(lambda: "page: http" in self.page.errors, 30), self.page.errors
        return self.page


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
