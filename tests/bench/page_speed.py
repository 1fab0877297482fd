"""The page: first paint and live update in a real browser, memory, a chart of 90 days.

The browser runs on the same cores as page and daemon, as it never does on a board.
"""

from __future__ import annotations

import statistics
import tempfile
import threading
import time
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from playwright.sync_api import Browser

from monitor.app.lookout import Lookout
from monitor.app.plans import watch_plans
from monitor.journal.onlooker import Onlooker
from monitor.page import detail
from monitor.page.board import clock, ticks
from monitor.page.port import FilterView
from monitor.settings.load import load
from tests.bench.figure import Figure
from tests.conftest import Command
from tests.support.browser import chromium, log_in
from tests.support.paged_site import PagedSite
from tests.support.past import write_past

PAINT_S, UPDATE_S, MEMORY_MB, CHART_S = 1.0, 1.0, 150.0, 0.3
_TIMES, _UPDATES, _DAYS = 7, 20, 90.0
_PAINTED = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
# When the figures change, and what the page says of whose second they are.
_WATCH = """n => new Promise(done => {
  const seen = [], place = document.getElementById('left-figures');
  new MutationObserver(() => { seen.push(Date.now()); if (seen.length >= n) done(seen); })
    .observe(place, { childList: true, subtree: true });
})"""


def measure() -> list[Figure]:
    """Return the page's figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        site = PagedSite(folder, partial(Command, folder))  # type: ignore[arg-type]
        write_past(folder / "state", ["left"], _DAYS + 5, time.time() - 5)
        chart = _chart(site)
        daemon, page = site.start_daemon(), site.start_page()
        try:
            with chromium() as browser:
                paints = _paints(browser, site)
                updates = _updates(browser, site)
                memory = _resident_mb(page.process.pid), _with_ten(browser, site, page.process.pid)
                bare = _bare_paint(browser)
        finally:
            page.stop()
            daemon.stop()
    return [
        *(
            Figure(
                f"page: first paint, {what}", f"{value * 1000:.0f} ms",
                f"{bare * 1000:.0f} ms (a page of one word)", f"{value / bare:.1f}",
                f"{PAINT_S * 1000:.0f} ms", value <= PAINT_S,
            )
            for what, value in paints.items()
        ),
        Figure(
            "page: from the daemon's tick to the screen, slowest of 20", f"{max(updates) * 1000:.0f} ms",
            f"{statistics.median(updates) * 1000:.0f} ms (median)", "", f"{UPDATE_S * 1000:.0f} ms",
            max(updates) <= UPDATE_S,
        ),
        Figure(
            "page: memory with one browser, with ten", f"{memory[0]:.0f} MB, {memory[1]:.0f} MB", "", "",
            f"{MEMORY_MB:.0f} MB", memory[1] <= MEMORY_MB,
        ),
        chart,
    ]  # fmt: skip


def _paints(browser: Browser, site: PagedSite) -> dict[str, float]:
    """Medians over fresh browser profiles, so that nothing is cached."""
    found: dict[str, list[float]] = {"all filters": [], "a filter's 90 days": []}
    for _ in range(_TIMES):
        for what, path in zip(found, ("/", "/filter/left?days=90"), strict=True):
            context = browser.new_context()
            page = context.new_page()
            log_in(page, site)
            cookies = context.cookies()
            context.close()
            context = browser.new_context()
            context.add_cookies(cookies)  # type: ignore[arg-type]
            page = context.new_page()
            page.goto(site.address + path)
            page.wait_for_timeout(300)
            found[what].append(page.evaluate(_PAINTED) / 1000)
            context.close()
    return {what: statistics.median(values) for what, values in found.items()}


def _updates(browser: Browser, site: PagedSite) -> list[float]:
    """From the write of the live file, by its own time, to the change of the document."""
    context = browser.new_context()
    page = context.new_page()
    log_in(page, site)
    written: list[float] = []
    halt = threading.Event()

    def look() -> None:
        last = 0.0
        while not halt.wait(0.005):
            try:
                now = (site.folder / "live.json").stat().st_mtime
            except OSError:
                continue
            if now != last:
                last = now
                written.append(now)

    thread = threading.Thread(target=look)
    thread.start()
    seen = [at_ms / 1000 for at_ms in page.evaluate(_WATCH, _UPDATES)]
    halt.set()
    thread.join()
    context.close()
    late = []
    for at_s in seen:
        before = [w for w in written if w <= at_s]
        if before:
            late.append(at_s - before[-1])
    return late


def _with_ten(browser: Browser, site: PagedSite, process: int) -> float:
    contexts = [browser.new_context() for _ in range(10)]
    first = contexts[0].new_page()
    log_in(first, site)
    for context in contexts[1:]:
        context.add_cookies(contexts[0].cookies())  # type: ignore[arg-type]
    for context in contexts:
        page = context.new_page()
        page.goto(f"{site.address}/filter/left?days=90")
    time.sleep(5.0)
    found = _resident_mb(process)
    for context in contexts:
        context.close()
    return found


def _resident_mb(process: int) -> float:
    status = Path(f"/proc/{process}/status").read_text(encoding="ascii")
    line = next(x for x in status.splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1000 * 1.024


class _OneWord(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(b"<!DOCTYPE html><title>x</title><p>word")

    def log_message(self, *_: object) -> None:
        """Nothing."""


def _bare_paint(browser: Browser) -> float:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _OneWord)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    found = []
    for _ in range(_TIMES):
        context = browser.new_context()
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{server.server_port}/")
        page.wait_for_timeout(300)
        found.append(page.evaluate(_PAINTED) / 1000)
        context.close()
    server.shutdown()
    thread.join()
    server.server_close()
    return statistics.median(found)


def _chart(site: PagedSite) -> Figure:
    """90 days of minutes of one filter, from the journal to the whole markup of the charts."""
    loaded = load(site.file)
    lookout = Lookout(loaded.tree, loaded.file, watch_plans(loaded.tree))
    one = FilterView(
        id="left", name="left", sentence="", simulated=True, flow=None, clean=None, clean_words="",
        share=None, limits=(0.75, 0.5, 0.2), temperature=None, has_probe=True, band=(23.0, 27.0),
        blind_s=None, due=None, fouling=None, pause=None, pause_until_utc_s=None, cleaned_utc_s=None,
        undo=False, alarms=(),
    )  # fmt: skip
    times, bare = [], []
    for _ in range(5):
        began_s = time.perf_counter()
        past = lookout.history("left", _DAYS)
        drawn = detail.charts(past, one, False, clock, ticks)
        times.append(time.perf_counter() - began_s)
        assert len(past.utc_s) > 200
        assert drawn.count("<svg") == 3
        began_s = time.perf_counter()
        journal = Onlooker(site.folder / "state")
        with journal.guarded("read") as link:
            rows = link.execute("SELECT COUNT(*), SUM(flow_ml_per_h) FROM minutes").fetchone()
        journal.close()
        assert rows[0] > _DAYS * 1440
        bare.append(time.perf_counter() - began_s)
    lookout.close()
    value, reference = statistics.median(times), statistics.median(bare)
    return Figure(
        "page: charts of 90 days from the journal", f"{value * 1000:.0f} ms",
        f"{reference * 1000:.0f} ms (SQLite's sum of one column)", f"{value / reference:.0f}",
        f"{CHART_S * 1000:.0f} ms", value <= CHART_S,
    )  # fmt: skip
