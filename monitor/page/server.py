"""The page over HTTP: who may see it, what each address answers, what becomes an order.

Nothing here touches the daemon: it reads through `port.Site` and puts orders into the journal.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

import msgspec
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from monitor.errors import StorageError
from monitor.page import detail, orders, overview, requests, shell, words
from monitor.page.board import TOKEN, Board, clock, ticks
from monitor.page.limits import Limiter
from monitor.page.password import Secret, fits
from monitor.page.port import FilterView, Site, Sizing
from monitor.page.serving import form, static
from monitor.page.session import Session, Sessions
from monitor.units import duration_words

_MOST_STREAMS = 40
_ANSWER_WITHIN_S = 5.0
_NEWS_AT_LEAST_EVERY_S = 10.0
_CHARTS_EVERY_S = 60.0
_log = logging.getLogger(__name__)
_T = TypeVar("_T")


class Web:
    """Every address of the page.

    Args:
        site: what is shown.
        secret: the password's hash and the key of log-ins.
        login_s: how long a log-in lasts.
        secure: whether it is reached over TLS.
        warning: what is said at the top of every screen, empty for nothing.
        wall: seconds of the wall clock.
    """

    def __init__(
        self,
        site: Site,
        secret: Secret,
        login_s: float,
        secure: bool = False,
        warning: str = "",
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._site, self._secret, self._login_s, self._secure = site, secret, login_s, secure
        self._warning, self._wall = warning, wall
        self._sessions = Sessions(secret.key)
        self._by_address, self._by_all = Limiter(5, 300.0), Limiter(30, 300.0)
        self._acts = Limiter(30, 60.0)
        self._hashing = asyncio.Lock()
        self._sized: dict[str, Sizing | None] = {}
        # Histories and orders: one thread, so one connection, and never the live picture's.
        self._work = ThreadPoolExecutor(1, "work")
        self.board = Board(site)

    def app(self) -> Starlette:
        """Return it as an ASGI application."""
        routes = [
            Route("/", self.home),
            Route("/login", self.login_form),
            Route("/login", self.login, methods=["POST"]),
            Route("/logout", self.logout, methods=["POST"]),
            Route("/act", self.act, methods=["POST"]),
            Route("/live", self.live),
            Route("/filter/{name}", self.filter),
            Route("/sheet/{name}", self.sheet),
            Route("/static/{name}", static),
        ]

        @contextlib.asynccontextmanager
        async def lifespan(_: Starlette) -> AsyncIterator[None]:
            tasks = [asyncio.create_task(self.board.run()), asyncio.create_task(self._size())]
            yield
            for task in tasks:
                task.cancel()
            self.board.close()
            self._work.shutdown(wait=False, cancel_futures=True)

        errors: dict[Any, Any] = {404: self._not_there, 405: self._not_there, 500: self._failed}
        return Starlette(routes=routes, lifespan=lifespan, exception_handlers=errors)

    # ------------------------------------------------------------------ what is shown

    async def home(self, request: Request) -> Response:
        """The first screen."""
        session = self._session(request)
        if session is None:
            return self._to_login()
        view = await self.board.fresh()
        body = overview.body(view, self.board.parts)
        return self._screen("Filters", f'<h1 class="unseen">Filters</h1>{body}', session, "/live")

    async def filter(self, request: Request) -> Response:
        """One filter's own view."""
        session = self._session(request)
        if session is None:
            return self._to_login()
        name = request.path_params["name"]
        view = await self.board.fresh()
        one = next((f for f in view.filters if f.id == name), None)
        if one is None:
            return self._not_found(session)
        days = detail.chosen_days(request.query_params.get("days", ""))
        try:
            charts = await self._charts(name, days)
        except StorageError as error:
            return self._said("Cannot be shown now", str(error), session, 503)
        sized = self._sizing(one)
        sheets = await run_in_threadpool(self._site.sheets)
        body = detail.body(one, view, self.board.parts, charts, days, sized, sheets)
        return self._screen(one.name, body, session, f"/live?filter={name}&days={days:g}")

    async def _charts(self, name: str, days: float) -> str:
        view = self.board.view
        one = next(f for f in view.filters if f.id == name)
        past = await self._in_thread(lambda: self._site.history(name, days))
        return detail.charts(past, one, view.us, clock, ticks)

    async def live(self, request: Request) -> Response:
        """News of a screen, as they come."""
        session = self._session(request)
        if session is None:
            return Response(status_code=401, headers=requests.HEADERS)
        headers = dict(request.headers)
        if headers.get("sec-fetch-site", "same-origin") != "same-origin" or (
            "origin" in headers and not requests.is_our_own(headers, request.url.scheme)
        ):
            return Response(status_code=403, headers=requests.HEADERS)
        if self.board.viewers >= _MOST_STREAMS:
            return Response(status_code=503, headers=requests.HEADERS)
        name = request.query_params.get("filter", "")
        days = detail.chosen_days(request.query_params.get("days", ""))
        return StreamingResponse(
            self._news(session, name, days),
            media_type="text/event-stream",
            headers=requests.HEADERS,
        )

    async def _news(self, session: Session, name: str, days: float) -> AsyncIterator[bytes]:
        token, drawn_s, deeds = self._sessions.csrf(session), time.monotonic(), ""
        announced, sized = None, False
        yield b"retry: 1000\n\n"
        async for parts in self.board.news(_NEWS_AT_LEAST_EVERY_S):
            if session.until_utc_s <= self._wall():
                return
            if name:
                parts = {k: v for k, v in parts.items() if k.startswith(("site-", f"{name}-"))}
                now = self.board.parts.get(f"{name}-deeds", "")
                if time.monotonic() - drawn_s >= _CHARTS_EVERY_S or (deeds and now != deeds):
                    drawn_s = time.monotonic()
                    with contextlib.suppress(StorageError, StopIteration):
                        parts[f"{name}-charts"] = await self._charts(name, days)
                deeds = now
                if not sized and name in self._sized:
                    sized = True
                    one = next(f for f in self.board.view.filters if f.id == name)
                    parts[f"{name}-sizing"] = self._sizing(one)
            news: dict[str, Any] = {"parts": parts}
            if self.board.announced != announced:
                announced = news["announce"] = self.board.announced
            body = msgspec.json.encode(news).replace(TOKEN.encode(), token.encode())
            yield b"data: " + body + b"\n\n"

    async def sheet(self, request: Request) -> Response:
        """A commissioning sheet as it was printed."""
        session = self._session(request)
        if session is None:
            return self._to_login()
        body = await run_in_threadpool(self._site.sheet, request.path_params["name"])
        if body is None:
            return self._not_found(session)
        headers = {**requests.HEADERS, "content-security-policy": requests.SHEET_POLICY}
        return HTMLResponse(body, headers=headers)

    async def _size(self) -> None:
        """Ask the sizing model, which may take a while on a small board, one filter after another."""
        while not self.board.view.filters:
            await asyncio.sleep(1.0)
        for one in self.board.view.filters:
            self._sized[one.id] = await run_in_threadpool(self._site.sizing, one.id)

    def _sizing(self, one: FilterView) -> str:
        if one.id not in self._sized:
            return detail.NOT_SIZED_YET
        return detail.sizing(one, self._sized[one.id], self.board.view.us)

    # ------------------------------------------------------------------ who may

    async def login_form(self, request: Request) -> Response:
        """The log-in."""
        if self._session(request) is not None:
            return RedirectResponse("/", 303, headers=requests.HEADERS)
        return self._login_page()

    async def login(self, request: Request) -> Response:
        """Check a password."""
        fields = await form(request)
        if fields is None:
            return self._login_page("That did not come from this page; try again.", 403)
        address = request.client.host if request.client is not None else ""
        now_s = self._wall()
        wait_s = max(self._by_address.wait_s(address, now_s), self._by_all.wait_s("", now_s))
        if wait_s:
            said = f"Too many tries; wait {duration_words(wait_s)}."
            return self._login_page(said, 429, {"retry-after": str(wait_s)})
        self._by_address.note(address, now_s)
        self._by_all.note("", now_s)
        async with self._hashing:  # one at a time: each takes 16 MB
            right = await run_in_threadpool(fits, fields.get("password", ""), self._secret)
        if not right:
            _log.warning("a log-in from %s with a wrong password", address)
            return self._login_page("That is not the password.", 403)
        self._by_address.forget(address)
        by = orders.printable(fields.get("by", ""))
        _, cookie = self._sessions.begin(by, now_s, self._login_s)
        headers = dict(requests.HEADERS)
        headers["set-cookie"] = requests.cookie(cookie, int(self._login_s), self._secure)
        return RedirectResponse("/", 303, headers=headers)

    async def logout(self, request: Request) -> Response:
        """End a log-in."""
        session = self._session(request)
        fields = await form(request)
        if session is not None and fields is not None and self._is_from(session, fields):
            self._sessions.end(session)
        headers = {**requests.HEADERS, "set-cookie": requests.cookie("", 0, self._secure)}
        return RedirectResponse("/login", 303, headers=headers)

    # ------------------------------------------------------------------ what is done

    async def act(self, request: Request) -> Response:
        """Give an order, and say what the daemon answered."""
        session = self._session(request)
        if session is None:
            return self._answered(request, "Not done: log in again.", None, 401)
        fields = await form(request)
        if fields is None or not self._is_from(session, fields):
            return self._answered(request, "Not done: reload the page and try again.", session, 403)
        wait_s = self._acts.wait_s(session.nonce, self._wall())
        if wait_s:
            said = f"Not done: too many at once; wait {duration_words(wait_s)}."
            return self._answered(request, said, session, 429)
        self._acts.note(session.nonce, self._wall())
        view = await self.board.fresh()
        try:
            order = orders.order(fields, [f.id for f in view.filters], session.by)
        except ValueError as error:
            return self._answered(request, f"Not done: {error}.", session, 400)
        try:
            number = await self._in_thread(lambda: self._site.give(order))
            answer = await self._answer(number) if view.watched else None
        except StorageError as error:
            return self._answered(request, f"Not done: {error}.", session, 503)
        return self._answered(request, words.answer(answer, view.watched), session, 200)

    async def _answer(self, number: int) -> str | None:
        until = time.monotonic() + _ANSWER_WITHIN_S
        while time.monotonic() < until:
            answer = await self._in_thread(lambda: self._site.answer(number))
            if answer is not None:
                return answer
            await asyncio.sleep(0.05)
        return None

    def _answered(
        self, request: Request, said: str, session: Session | None, status: int
    ) -> Response:
        """For the script as JSON, without a script as a page that leads back."""
        if "application/json" in request.headers.get("accept", ""):
            return JSONResponse({"said": said}, status, headers=requests.HEADERS)
        return self._said("Answer", said, session, status)

    # ------------------------------------------------------------------ helpers

    async def _in_thread(self, work: Callable[[], _T]) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._work, work)

    def _session(self, request: Request) -> Session | None:
        found = requests.cookie_value(request.headers.get("cookie"), self._secure)
        return self._sessions.of(found, self._wall())

    def _is_from(self, session: Session, fields: dict[str, str]) -> bool:
        return self._sessions.is_from(session, fields.get("csrf", ""))

    def _screen(self, title: str, body: str, session: Session, feed: str) -> Response:
        token = self._sessions.csrf(session)
        page = shell.document(
            title, body.replace(TOKEN, token), self.board.view.name, token, feed,
            self.board.announced, self._warning,
        )  # fmt: skip
        return HTMLResponse(page, headers=requests.HEADERS)

    def _login_page(
        self, problem: str = "", status: int = 200, more: dict[str, str] | None = None
    ) -> Response:
        page = shell.login(self.board.view.name, problem, self._warning)
        return HTMLResponse(page, status, headers={**requests.HEADERS, **(more or {})})

    def _to_login(self) -> Response:
        return RedirectResponse("/login", 303, headers=requests.HEADERS)

    def _said(self, title: str, said: str, session: Session | None, status: int) -> Response:
        token = "" if session is None else self._sessions.csrf(session)
        page = shell.message(self.board.view.name, title, said, token)
        return HTMLResponse(page, status, headers=requests.HEADERS)

    def _not_found(self, session: Session | None) -> Response:
        return self._said("Not here", "There is nothing at this address.", session, 404)

    async def _not_there(self, request: Request, _: Exception) -> Response:
        return self._not_found(self._session(request))

    async def _failed(self, request: Request, _: Exception) -> Response:
        return self._said(
            "Something failed", "It is in the page's log.", self._session(request), 500
        )
