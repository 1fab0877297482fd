"""Ten people look for a minute: the daemon does not notice."""

from __future__ import annotations

import contextlib
import http.client
import itertools
import sqlite3
import threading
import time
from pathlib import Path

from monitor.page.password import kept
from monitor.page.requests import COOKIE
from monitor.page.session import Sessions
from tests.conftest import Command
from tests.support.paged_site import PagedSite

BROWSERS, WATCHED_S, ALONE_S = 10, 60.0, 6.0
_LOADED_EVERY_S = 5.0


class Viewer(threading.Thread):
    """An open page as a browser has it: the stream of news, and both screens loaded now and then."""

    def __init__(self, site: PagedSite, cookie: str, until_s: float) -> None:
        super().__init__()
        self._site, self._until_s = site, until_s
        self._headers = {"Cookie": f"{COOKIE}={cookie}"}
        self.news = self.loaded = 0
        self.trouble = ""

    def run(self) -> None:
        try:
            self._watch()
        except (OSError, http.client.HTTPException) as error:
            self.trouble = repr(error)

    def _watch(self) -> None:
        stream = http.client.HTTPConnection("127.0.0.1", self._site.port, timeout=10)
        with contextlib.closing(stream):
            stream.request("GET", "/live", headers=self._headers)
            with stream.getresponse() as answer:
                assert answer.status == 200
                next_s = time.monotonic()
                while time.monotonic() < self._until_s:
                    self.news += answer.readline().startswith(b"data:")
                    if time.monotonic() >= next_s:
                        next_s += _LOADED_EVERY_S
                        self._load()

    def _load(self) -> None:
        for path in ("/", "/filter/left?days=2"):
            link = http.client.HTTPConnection("127.0.0.1", self._site.port, timeout=10)
            with contextlib.closing(link):
                link.request("GET", path, headers=self._headers)
                with link.getresponse() as answer:
                    answer.read()
                    self.loaded += answer.status == 200


def late_s(site: PagedSite, since_utc_s: float) -> list[float]:
    """How much later than a second after the one before each sample was taken."""
    link = sqlite3.connect(f"file:{site.folder}/state/journal.sqlite?mode=ro", uri=True)
    rows = link.execute(
        "SELECT line_s FROM samples WHERE utc_s >= ? ORDER BY seq", (since_utc_s,)
    ).fetchall()
    link.close()
    times = [row[0] for row in rows]
    return [b - a - 1.0 for a, b in itertools.pairwise(times)]


def test_ten_open_pages_leave_the_daemons_cadence_untouched(
    canister: type[Command], tmp_path: Path
) -> None:
    site = PagedSite(tmp_path, canister)
    daemon = site.start_daemon()
    time.sleep(2.0)
    began_s = time.time()
    time.sleep(ALONE_S)
    alone = late_s(site, began_s)
    site.start_page()
    sessions = Sessions(kept(tmp_path / "own" / "password").key)
    watched_s, until_s = time.time(), time.monotonic() + WATCHED_S
    viewers = [
        Viewer(site, sessions.begin("", watched_s, 3600.0)[1], until_s) for _ in range(BROWSERS)
    ]
    for viewer in viewers:
        viewer.start()
    for viewer in viewers:
        viewer.join(WATCHED_S + 30)
    assert daemon.stop() == 0
    watched = list(late_s(site, watched_s))[: int(WATCHED_S)]
    print(f"latest alone {max(alone):.3f} s, watched by ten {max(watched):.3f} s")
    assert [v.trouble for v in viewers] == [""] * BROWSERS
    assert min(v.news for v in viewers) >= 0.8 * WATCHED_S
    assert min(v.loaded for v in viewers) >= 2 * (WATCHED_S / _LOADED_EVERY_S - 3)
    assert len(watched) >= WATCHED_S - 2  # no second without its sample
    assert max(watched) <= max(0.0, *alone) + 0.25
