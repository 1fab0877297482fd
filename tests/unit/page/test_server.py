"""Every address of the page, asked as a browser would and as a stranger would; no daemon, no network."""

from __future__ import annotations

import asyncio
import re
from typing import Any
from urllib.parse import urlencode

import pytest

from monitor.errors import StorageError
from monitor.page.password import made
from monitor.page.port import History, SiteView, Sizing
from monitor.page.requests import COOKIE
from monitor.page.server import Web
from monitor.records import Order
from tests.support.page_site import NOW_S, SITE, STOPPED, filter_with, site_with

PASSWORD = "correct horse battery staple"
SECRET = made(PASSWORD)
HOST = "127.0.0.1:8440"
OURS = {"host": HOST, "origin": f"http://{HOST}"}


class FakeSite:
    """A site that takes orders and answers them at once."""

    def __init__(self) -> None:
        self.shown: SiteView = site_with(filters=(filter_with(alarms=(STOPPED,)),))
        self.orders: list[Order] = []
        self.said: str | None = "done: left flow-stopped acknowledged"
        self.broken = False

    def pulse(self) -> float:
        return 0.0

    def view(self) -> SiteView:
        return self.shown

    def history(self, filter_id: str, days: float) -> History:
        if self.broken:
            raise StorageError("journal: cannot be read")
        return History(NOW_S - 86400 * days, NOW_S, 600.0, [], [], [], [], [], [], [], (), ())

    def sizing(self, filter_id: str) -> Sizing | None:
        return None

    def sheets(self) -> list[str]:
        return ["commissioning-1.html"]

    def sheet(self, name: str) -> bytes | None:
        return b"<h1>sheet</h1>" if name in self.sheets() else None

    def give(self, order: Order) -> int:
        if self.broken:
            raise StorageError("journal: cannot write")
        self.orders.append(order)
        return len(self.orders)

    def answer(self, number: int) -> str | None:
        return self.said


class Answer:
    def __init__(self) -> None:
        self.status = 0
        self.headers: dict[str, str] = {}
        self.body = b""

    @property
    def text(self) -> str:
        return self.body.decode()


class Browser:
    """Asks the application by its own interface; keeps the cookie."""

    def __init__(self, site: FakeSite, **options: Any) -> None:
        self.at_s = NOW_S
        self.web = Web(site, SECRET, 3600.0, wall=lambda: self.at_s, **options)
        self.app = self.web.app()
        self.cookie = ""

    def ask(
        self, path: str, form: dict[str, Any] | None = None, headers: dict[str, str] | None = None,
        body: bytes | None = None, address: str = "192.0.2.7",
    ) -> Answer:  # fmt: skip
        sent = {
            **(OURS if form is not None or body is not None else {"host": HOST}),
            **(headers or {}),
        }
        if self.cookie:
            sent["cookie"] = f"{COOKIE}={self.cookie}"
        content = body if body is not None else urlencode(form or {}).encode()
        method = "GET" if form is None and body is None else "POST"
        answer = asyncio.run(self._asked(method, path, sent, content, address))
        found = re.match(rf"(?:__Host-)?{COOKIE}=([^;]*)", answer.headers.get("set-cookie", ""))
        if found is not None:
            self.cookie = found[1]
        return answer

    async def _asked(
        self, method: str, path: str, headers: dict[str, str], body: bytes, address: str
    ) -> Answer:
        answer, given = Answer(), [{"type": "http.request", "body": body, "more_body": False}]
        bare, _, query = path.partition("?")
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": bare, "raw_path": bare.encode(), "query_string": query.encode(),
            "root_path": "", "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
            "client": (address, 1), "server": ("127.0.0.1", 8440),
        }  # fmt: skip

        async def receive() -> dict[str, Any]:
            return given.pop(0) if given else {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                answer.status = message["status"]
                answer.headers = {k.decode(): v.decode() for k, v in message["headers"]}
            else:
                answer.body += message.get("body", b"")

        await self.app(scope, receive, send)  # type: ignore[arg-type]
        return answer

    def log_in(self, by: str = "Ada") -> None:
        assert self.ask("/login", {"password": PASSWORD, "by": by}).status == 303

    def token(self) -> str:
        found = re.search(r'name="csrf" value="([^"]+)"', self.ask("/").text)
        assert found is not None
        return found[1]


@pytest.fixture
def site() -> FakeSite:
    return FakeSite()


@pytest.fixture
def browser(site: FakeSite) -> Browser:
    return Browser(site)


ACKNOWLEDGE = {"order": "acknowledge", "filter": "left", "alarm": "flow-stopped", "occurrence": "3"}


@pytest.mark.parametrize("path", ["/", "/filter/left", "/sheet/commissioning-1.html"])
def test_without_a_log_in_nothing_is_shown(browser: Browser, path: str) -> None:
    answer = browser.ask(path)
    assert (answer.status, answer.headers["location"]) == (303, "/login")
    assert "Left" not in answer.text
    assert browser.ask("/live").status == 401


def test_every_answer_carries_the_security_headers(browser: Browser) -> None:
    browser.log_in()
    for path in ("/", "/login", "/filter/left", "/static/page.css", "/nowhere", "/filter/none"):
        headers = browser.ask(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
    sheet = browser.ask("/sheet/commissioning-1.html")
    assert "script-src" not in sheet.headers["content-security-policy"]
    assert sheet.body == b"<h1>sheet</h1>"


def test_a_wrong_password_is_told_and_after_five_tries_one_waits(
    browser: Browser, caplog: pytest.LogCaptureFixture
) -> None:
    for _ in range(5):
        answer = browser.ask("/login", {"password": "wrong wrong wrong"})
        assert (answer.status, browser.cookie) == (403, "")
        assert "That is not the password." in answer.text
    answer = browser.ask("/login", {"password": PASSWORD})
    assert answer.status == 429
    assert int(answer.headers["retry-after"]) == 300
    assert browser.ask("/login", {"password": PASSWORD}, address="192.0.2.8").status == 303
    browser.at_s += 300
    browser.log_in()
    assert "wrong wrong" not in caplog.text
    assert PASSWORD not in caplog.text


def test_tries_from_many_addresses_are_bounded_too(browser: Browser) -> None:
    statuses = {
        browser.ask("/login", {"password": ""}, address=f"192.0.2.{n}").status for n in range(31)
    }
    assert statuses == {403, 429}


def test_a_log_in_from_elsewhere_is_refused(browser: Browser) -> None:
    answer = browser.ask("/login", {"password": PASSWORD}, {"origin": "http://elsewhere.example"})
    assert (answer.status, browser.cookie) == (403, "")


def test_a_log_in_ends_by_its_time_and_by_a_log_out(browser: Browser) -> None:
    browser.log_in()
    cookie = browser.cookie
    assert browser.ask("/").status == 200
    browser.at_s += 3600
    assert browser.ask("/").status == 303
    browser.at_s -= 3600
    assert browser.ask("/logout", {"csrf": browser.token()}).headers["location"] == "/login"
    browser.cookie = cookie
    assert browser.ask("/").status == 303


def test_an_order_reaches_the_site_with_who_gave_it(browser: Browser, site: FakeSite) -> None:
    browser.log_in()
    form = {**ACKNOWLEDGE, "csrf": browser.token()}
    answer = browser.ask("/act", form, {"accept": "application/json"})
    assert answer.status == 200
    assert answer.text == '{"said":"Done: left flow-stopped acknowledged."}'
    (order,) = site.orders
    assert (order.name, order.filter_id, order.alarm) == ("acknowledge", "left", "flow-stopped")
    assert (order.occurrence, order.by) == (3, "Ada, on the page")


def test_without_a_script_the_answer_is_a_page(browser: Browser) -> None:
    browser.log_in()
    answer = browser.ask("/act", {**ACKNOWLEDGE, "csrf": browser.token()})
    assert "Done: left flow-stopped acknowledged." in answer.text
    assert "Back to all filters" in answer.text


@pytest.mark.parametrize(
    ("form", "headers", "status"),
    [
        ({"csrf": ""}, {}, 403),
        ({}, {}, 403),
        ({"csrf": "TOKEN"}, {"origin": "http://elsewhere.example"}, 403),
        ({"csrf": "TOKEN"}, {"origin": "null"}, 403),
        ({"csrf": "TOKEN"}, {"sec-fetch-site": "cross-site"}, 403),
        ({"csrf": "TOKEN", "alarm": "no-such"}, {}, 400),
        ({"csrf": "TOKEN", "filter": "no_such"}, {}, 400),
    ],
)
def test_an_order_that_is_not_from_a_page_of_ours_changes_nothing(
    browser: Browser, site: FakeSite, form: dict[str, str], headers: dict[str, str], status: int
) -> None:
    browser.log_in()
    filled = {k: browser.token() if v == "TOKEN" else v for k, v in form.items()}
    answer = browser.ask("/act", {**ACKNOWLEDGE, **filled}, headers)
    assert (answer.status, site.orders) == (status, [])


def test_another_sessions_token_does_not_fit(browser: Browser, site: FakeSite) -> None:
    browser.log_in()
    token = browser.token()
    browser.cookie = ""
    browser.log_in("Grace")
    assert browser.ask("/act", {**ACKNOWLEDGE, "csrf": token}).status == 403
    assert site.orders == []


def test_a_body_that_is_too_large_or_no_form_is_refused(browser: Browser, site: FakeSite) -> None:
    browser.log_in()
    for body in (b"a=" + b"x" * 10_000, b"\xff\xfe"):
        assert browser.ask("/act", body=body).status == 403
    assert site.orders == []


def test_orders_are_limited(browser: Browser, site: FakeSite) -> None:
    browser.log_in()
    form = {**ACKNOWLEDGE, "csrf": browser.token()}
    statuses = [browser.ask("/act", form).status for _ in range(32)]
    assert statuses == [200] * 30 + [429] * 2
    assert len(site.orders) == 30
    browser.at_s += 60
    assert browser.ask("/act", form).status == 200


def test_what_cannot_be_done_says_why(browser: Browser, site: FakeSite) -> None:
    browser.log_in()
    form = {**ACKNOWLEDGE, "csrf": browser.token()}
    site.said = "refused: there is no pause"
    assert "Not done: there is no pause." in browser.ask("/act", form).text
    site.broken = True
    answer = browser.ask("/act", form)
    assert answer.status == 503
    assert "cannot write" in answer.text
    assert browser.ask("/filter/left").status == 503


def test_while_nobody_watches_an_order_is_noted(browser: Browser, site: FakeSite) -> None:
    site.shown, site.said = site_with(watched=False, live=False), None
    browser.log_in()
    answer = browser.ask("/act", {**ACKNOWLEDGE, "csrf": browser.token()})
    assert "it takes effect when canister run is started" in answer.text
    assert len(site.orders) == 1


def test_news_are_for_pages_of_ours(browser: Browser) -> None:
    browser.log_in()
    for headers in ({"origin": "http://elsewhere.example"}, {"sec-fetch-site": "same-site"}):
        assert browser.ask("/live", headers=headers).status == 403


def test_news_begin_with_everything_and_carry_the_browsers_own_token(browser: Browser) -> None:
    browser.log_in()
    token = browser.token()
    news = browser.ask("/live", headers={"sec-fetch-site": "same-origin"}).text
    assert '"left-figures"' in news
    assert '"announce":"Open: Left <tank>: flow stopped."' in news
    assert token in news
    assert "%csrf%" not in news
    assert "%csrf%" not in browser.ask("/").text


def test_files_are_ours_and_named(browser: Browser) -> None:
    style = browser.ask("/static/page.css")
    assert style.headers["content-type"].startswith("text/css")
    again = browser.ask("/static/page.css", headers={"if-none-match": style.headers["etag"]})
    assert (again.status, again.body) == (304, b"")
    for path in ("/static/nothing.css", "/static/..%2fserver.py", "/sheet/..%2fcanister.toml"):
        assert browser.ask(path).status in (303, 404)


def test_a_warning_stands_on_every_screen(site: FakeSite) -> None:
    browser = Browser(site, warning="Not encrypted: whoever shares this network can read it.")
    assert "Not encrypted" in browser.ask("/login").text
    browser.log_in()
    assert "Not encrypted" in browser.ask("/").text


def test_an_unknown_filter_is_not_there(browser: Browser) -> None:
    browser.log_in()
    assert browser.ask("/filter/none").status == 404
    assert SITE.name not in browser.ask("/filter/none").headers.get("location", "")
