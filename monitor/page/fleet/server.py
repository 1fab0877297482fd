"""The board page over HTTP: who sees what, and what becomes a deed.

Whoever asks is looked up in the books each time, so that a person who was removed, or has another role or
password, is out with the next request. A list is cut down to what they may see before anything else is
done with it; what they may not see answers like what is not there.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from monitor.errors import MachineError, UserMistake
from monitor.fleet.business import Person, Role, Site
from monitor.fleet.roles import Action, may
from monitor.page import requests, shell
from monitor.page.board import clock, second
from monitor.page.fleet import alarms, choose, records, screens
from monitor.page.fleet.alarms import Hands
from monitor.page.fleet.port import Fleet, Row, Standing
from monitor.page.limits import Limiter
from monitor.page.serving import form, static
from monitor.page.session import Session, Sessions
from monitor.units import duration_words

_DEEDS = 100
_PLAN_WITHIN_S = 20.0
_log = logging.getLogger(__name__)
_T = TypeVar("_T")


class Visitor:
    """Who asks: the session, the person as the books have them now, a client's sites."""

    def __init__(self, session: Session, person: Person, own: list[Site]) -> None:
        self.session, self.person, self.own = session, person, own


class Board:
    """Every address of the board page.

    Args:
        fleet: what is shown.
        login_s: how long a log-in lasts.
        secure: whether it is reached over TLS.
        warning: what is said at the top of every screen, empty for nothing.
        wall: seconds of the wall clock.
    """

    def __init__(
        self,
        fleet: Fleet,
        login_s: float,
        secure: bool = False,
        warning: str = "",
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._fleet, self._login_s, self._secure = fleet, login_s, secure
        self._warning, self._wall = warning, wall
        self._sessions = Sessions(secrets.token_bytes(32))
        self._by_address, self._by_name = Limiter(10, 300.0), Limiter(5, 300.0)
        self._by_all, self._acts = Limiter(60, 300.0), Limiter(30, 60.0)
        self._hashing = asyncio.Lock()
        self._reading = ThreadPoolExecutor(4, "read")
        self._asking = ThreadPoolExecutor(16, "ask")  # each may wait for a site's answer
        self._planning = ThreadPoolExecutor(1, "plan")

    def app(self) -> Starlette:
        """Return it as an ASGI application."""
        routes = [
            Route("/", self._for(self._sites)),
            Route("/site/{site}", self._for(self._site)),
            Route("/alarms", self._for(self._alarms)),
            Route("/visits", self._for(self._visits)),
            Route("/audit", self._for(self._audit)),
            Route("/act", self._act, methods=["POST"]),
            Route("/login", self._login_form),
            Route("/login", self._login, methods=["POST"]),
            Route("/logout", self._logout, methods=["POST"]),
            Route("/static/{name}", static),
        ]

        @contextlib.asynccontextmanager
        async def lifespan(_: Starlette) -> AsyncIterator[None]:
            yield
            for pool in (self._reading, self._asking, self._planning):
                pool.shutdown(wait=False, cancel_futures=True)

        errors: dict[Any, Any] = {
            404: self._not_there,
            405: self._not_there,
            MachineError: self._away,
            500: self._failed,
        }
        return Starlette(routes=routes, lifespan=lifespan, exception_handlers=errors)

    # ------------------------------------------------------------------ what is shown

    def _for(
        self, screen: Callable[[Request, Visitor], Awaitable[Response]]
    ) -> Callable[[Request], Awaitable[Response]]:
        """A screen that only somebody who is logged in gets."""

        async def guarded(request: Request) -> Response:
            visitor = await self._visitor(request)
            if visitor is None:
                return RedirectResponse("/login", 303, headers=requests.HEADERS)
            return await screen(request, visitor)

        return guarded

    async def _sites(self, request: Request, visitor: Visitor) -> Response:
        asked = choose.asked(request.query_params)
        rows = choose.visible(visitor.person, self._fleet.picture().rows, visitor.own)
        part = choose.part(choose.found(rows, asked), asked.page)
        body = screens.sites(part, asked, await self._client_names(), clock)
        return self._screen("Sites", body, visitor, "/")

    async def _site(self, request: Request, visitor: Visitor) -> Response:
        site = request.path_params["site"]
        known = await self._read(self._fleet.site, site)
        if not may(visitor.person, Action.SEE, known):
            return self._nothing(visitor)
        sheet = await self._read(self._fleet.sheet, site)
        if sheet is None:
            return self._nothing(visitor)
        hands = await self._hands(visitor, request, known)
        body = screens.site(sheet, await self._client_names(), hands, clock)
        return self._screen(sheet.row.name, body, visitor, "")

    async def _alarms(self, request: Request, visitor: Visitor) -> Response:
        asked = choose.asked(request.query_params)
        picture = self._fleet.picture()
        rows = {r.site: r for r in choose.visible(visitor.person, picture.rows, visitor.own)}
        hands = await self._hands(visitor, request, None)
        mine = frozenset(k for k, p in hands.assigned.items() if p == visitor.person.id)
        part = choose.part(choose.queue(picture.alarms, rows, asked, mine), asked.page)
        extra = "mine" if visitor.person.role is not Role.CLIENT else ""
        search = screens.search("/alarms", asked, extra, "Alarm, site, client or place")
        pager = screens.pager("/alarms", asked, part)
        body = alarms.queue(part, asked, rows, hands, clock, search, pager)
        return self._screen("Alarms", body, visitor, "/alarms")

    async def _visits(self, request: Request, visitor: Visitor) -> Response:
        if not may(visitor.person, Action.PLAN, None):
            return self._nothing(visitor)
        week = "next" if request.query_params.get("week") == "next" else "now"
        hours = _hours(request.query_params.get("hours", ""))
        loop = asyncio.get_running_loop()
        plan = loop.run_in_executor(self._planning, self._fleet.visits, week, hours)
        head = records.visits_form(week, hours)
        try:
            body = records.visits(await asyncio.wait_for(asyncio.shield(plan), _PLAN_WITHIN_S))
        except TimeoutError:
            body = "<p>The plan is still being made; reload in a moment.</p>"
        return self._screen("Visits", head + body, visitor, "/visits")

    async def _audit(self, request: Request, visitor: Visitor) -> Response:
        if not may(visitor.person, Action.AUDIT, None):
            return self._nothing(visitor)
        word = request.query_params.get("before", "")
        before = int(word) if word.isascii() and word.isdigit() and len(word) < 16 else None
        deeds = await self._read(self._fleet.deeds, _DEEDS, before)
        return self._screen("Audit", records.audit(deeds, _DEEDS, clock), visitor, "/audit")

    # ------------------------------------------------------------------ who may

    async def _visitor(self, request: Request) -> Visitor | None:
        found = requests.cookie_value(
            request.headers.get("cookie"), self._secure, requests.FLEET_COOKIE
        )
        session = self._sessions.of(found, self._wall())
        if session is None:
            return None
        name, _, mark = session.by.partition("|")
        person, now = await self._read(self._fleet.person, name)
        if person is None or not now or now != mark:
            return None
        of = person.client if person.role is Role.CLIENT else None
        own = await self._read(self._fleet.sites_of, of) if of else []
        return Visitor(session, person, own)

    async def _login_form(self, request: Request) -> Response:
        if await self._visitor(request) is not None:
            return RedirectResponse("/", 303, headers=requests.HEADERS)
        return self._login_page()

    async def _login(self, request: Request) -> Response:
        fields = await form(request)
        if fields is None:
            return self._login_page("That did not come from this page; try again.", 403)
        address = request.client.host if request.client is not None else ""
        name, now_s = fields.get("person", "").strip()[:32], self._wall()
        limits = ((self._by_address, address), (self._by_name, name), (self._by_all, ""))
        wait_s = max(limit.wait_s(of, now_s) for limit, of in limits)
        if wait_s:
            said = f"Too many tries; wait {duration_words(wait_s)}."
            return self._login_page(said, 429, {"retry-after": str(wait_s)})
        for limit, of in limits:
            limit.note(of, now_s)
        async with self._hashing:  # one at a time: each takes 16 MB
            person = await self._read(self._fleet.login, name, fields.get("password", ""))
        if person is None:
            _log.warning("a log-in from %s with a wrong id or password", address)
            return self._login_page("Id and password do not belong together.", 403)
        _, mark = await self._read(self._fleet.person, person.id)
        await self._read(self._fleet.note, person.id, "logged in", f"from {address}")
        self._by_address.forget(address)
        self._by_name.forget(name)
        _, cookie = self._sessions.begin(f"{person.id}|{mark}", now_s, self._login_s)
        return RedirectResponse("/", 303, headers=self._with_cookie(cookie, int(self._login_s)))

    async def _logout(self, request: Request) -> Response:
        visitor, fields = await self._visitor(request), await form(request)
        if visitor is not None and fields is not None and self._is_from(visitor, fields):
            self._sessions.end(visitor.session)
        return RedirectResponse("/login", 303, headers=self._with_cookie("", 0))

    # ------------------------------------------------------------------ what is done

    async def _act(self, request: Request) -> Response:
        visitor, fields = await self._visitor(request), await form(request)
        if visitor is None:
            return self._login_page("Not done: log in again.", 401)
        if fields is None or not self._is_from(visitor, fields):
            return self._said("Not done: reload the page and try again.", visitor, 403)
        wait_s = self._acts.wait_s(visitor.person.id, self._wall())
        if wait_s:
            said = f"Not done: too many at once; wait {duration_words(wait_s)}."
            return self._said(said, visitor, 429)
        self._acts.note(visitor.person.id, self._wall())
        site = await self._read(self._fleet.site, fields.get("site", ""))
        alarm = self._standing(fields, visitor)
        if alarm is None:
            return self._said("Not done: that alarm does not stand here any more.", visitor, 404)
        back = "/alarms" if fields.get("back") != "site" else f"/site/{alarm.site}"
        action = {"acknowledge": Action.ACKNOWLEDGE, "assign": Action.ASSIGN}.get(
            fields.get("do", "")
        )
        if action is None or not may(visitor.person, action, site):
            return self._said("Not done: you may not do that here.", visitor, 403, back)
        try:
            if action is Action.ASSIGN:
                to = fields.get("person", "")
                said = await self._read(self._fleet.assign, alarm, to, visitor.person)
            else:
                said = await asyncio.get_running_loop().run_in_executor(
                    self._asking, self._fleet.acknowledge, alarm, visitor.person
                )
        except UserMistake as error:
            return self._said(f"Not done: {error}.", visitor, 400, back)
        except MachineError as error:
            _log.warning("%s", error)
            return self._said(f"Not done: {error}.", visitor, 503, back)
        return self._said(said, visitor, 200, back)

    def _standing(self, fields: dict[str, str], visitor: Visitor) -> Standing | None:
        """The alarm that a form names, if it stands at a site that the visitor sees."""
        rows: list[Row] = choose.visible(visitor.person, self._fleet.picture().rows, visitor.own)
        site, key = fields.get("site", ""), fields.get("alarm", "")
        row = next((r for r in rows if r.site == site), None)
        return None if row is None else next((a for a in row.alarms if a.key == key), None)

    async def _hands(self, visitor: Visitor, request: Request, site: Site | None) -> Hands:
        person = visitor.person
        token = self._sessions.csrf(visitor.session)
        back = "site" if request.url.path.startswith("/site/") else "alarms"
        if person.role is Role.CLIENT:  # who of the business looks after it is not theirs to know
            return Hands(token, False, False, (), {}, back)
        people = tuple(await self._read(self._fleet.technicians))
        assigned = {a.alarm: a.person for a in await self._read(self._fleet.assignments)}
        return Hands(
            token, may(person, Action.ACKNOWLEDGE, site), may(person, Action.ASSIGN, site), people,
            assigned, back,
        )  # fmt: skip

    # ------------------------------------------------------------------ helpers

    async def _read(self, ask: Callable[..., _T], *arguments: Any) -> _T:
        return await asyncio.get_running_loop().run_in_executor(self._reading, ask, *arguments)

    async def _client_names(self) -> dict[str, str]:
        return {c.id: c.name for c in await self._read(self._fleet.clients)}

    def _is_from(self, visitor: Visitor, fields: dict[str, str]) -> bool:
        return self._sessions.is_from(visitor.session, fields.get("csrf", ""))

    def _with_cookie(self, value: str, lasts_s: int) -> dict[str, str]:
        made = requests.cookie(value, lasts_s, self._secure, requests.FLEET_COOKIE)
        return {**requests.HEADERS, "set-cookie": made}

    def _screen(
        self, title: str, body: str, visitor: Visitor, here: str, status: int = 200
    ) -> Response:
        line = screens.standing_line(self._fleet.picture(), self._wall(), second)
        page = shell.document(
            title, line + body, self._fleet.name, self._sessions.csrf(visitor.session),
            warning=self._warning, nav=screens.nav(visitor.person, here),
        )  # fmt: skip
        return HTMLResponse(page, status, headers=requests.HEADERS)

    def _login_page(
        self, problem: str = "", status: int = 200, more: dict[str, str] | None = None
    ) -> Response:
        page = screens.login(self._fleet.name, problem, self._warning)
        return HTMLResponse(page, status, headers={**requests.HEADERS, **(more or {})})

    def _said(self, said: str, visitor: Visitor, status: int, back: str = "/alarms") -> Response:
        return self._screen("Answer", screens.message("Answer", said, back), visitor, "", status)

    def _nothing(self, visitor: Visitor) -> Response:
        body = screens.message("Not here", "There is nothing at this address.")
        return self._screen("Not here", body, visitor, "", 404)

    def _alone(self, title: str, said: str, status: int) -> Response:
        page = shell.document(title, screens.message(title, said), self._fleet.name)
        return HTMLResponse(page, status, headers=requests.HEADERS)

    async def _not_there(self, request: Request, _: Exception) -> Response:
        return self._alone("Not here", "There is nothing at this address.", 404)

    async def _away(self, request: Request, error: Exception) -> Response:
        _log.warning("%s", error)
        return self._alone("Cannot be shown now", str(error), 503)

    async def _failed(self, request: Request, _: Exception) -> Response:
        return self._alone("Something failed", "It is in the page's log.", 500)


def _hours(word: str) -> float:
    try:
        found = float(word)
    except ValueError:
        return 8.0
    return found if 1.0 <= found <= 200.0 else 8.0
