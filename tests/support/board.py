"""A small invented fleet over a real Redis, its board page, and a browser that asks it by hand."""

from __future__ import annotations

import asyncio
import functools
import re
import time
from pathlib import Path
from typing import Any
from unittest.mock import patch
from urllib.parse import urlencode

from monitor.app.fleet.board import FleetBoard
from monitor.errors import MachineError
from monitor.fleet.business import Client, Person, Role
from monitor.fleet.messages import Answer as SiteAnswer
from monitor.hub.books.books import Books
from monitor.hub.books.passwords import hashed
from monitor.hub.orders import Commander
from monitor.hub.state import State
from monitor.page.fleet.server import Board
from monitor.page.requests import FLEET_COOKIE
from tests.support.real_redis import RealRedis
from tests.support.sites import DAY_S, Site
from tests.unit.fleet.test_fold import everything

PASSWORD = "correct horse battery staple"
HOST = "127.0.0.1:8450"
DAYS = 12.0
_HASHED = functools.cache(hashed)
PEOPLE = (
    Person("olga", "Olga (invented)", Role.OWNER),
    Person("tom", "Tom (invented)", Role.TECHNICIAN),
    Person("clara", "Clara (invented)", Role.CLIENT, "harbour"),
    Person("hans", "Hans (invented)", Role.CLIENT, "hill"),
)
SITES = (
    ("home", "harbour", "Harbour home", "quay 4"),
    ("shop", "harbour", "Harbour shop", "quay 4"),
    ("hall", "hill", "Hill hall", "upper road"),
)


def filled(folder: Path, state: State) -> Books:
    """Write the books and the memory of a fleet; at home and in the hall a filter stands still."""
    books = Books(folder / "books")
    for client in ("harbour", "hill"):
        books.clients.add(Client(client, f"{client.capitalize()} rooms (invented)"), "test")
    for site, client, name, place in SITES:
        books.sites.enrol(site, client, name, place, "test")
    # One hash for all: each takes a while, as it must.
    with patch("monitor.hub.books.people.hashed", _HASHED):
        for person in PEOPLE:
            books.people.add(person, "test")
            books.people.set_password(person.id, PASSWORD, "test")
    began_s = time.time() - (DAYS + 1) * DAY_S
    for number, (site, *_) in enumerate(SITES):
        made = Site(site, number, DAYS, began_utc_s=began_s)
        state.apply(everything(made.messages))
        if site != "shop":
            stops = made.stops("tank_0", (DAYS + 0.5 + number / 100) * DAY_S)
            state.apply(everything(stops))
    return books


class NoBroker:
    """Stands for a site's way: notes orders, answers as it is told to."""

    within_s = 10.0

    def __init__(self) -> None:
        self.given: list[tuple[str, dict[str, Any]]] = []
        self.answer: SiteAnswer | None = SiteAnswer(1, "acknowledge", True, "done: acknowledged")
        self.fault: MachineError | None = None

    def give(self, site: str, order: dict[str, Any]) -> SiteAnswer | None:
        if self.fault is not None:
            raise self.fault
        self.given.append((site, order))
        return self.answer

    def close(self) -> None:
        pass


class World:
    """Redis, books, board and page; `way` is a stand-in unless a commander is given."""

    def __init__(self, folder: Path, commander: Commander | None = None) -> None:
        (folder / "redis").mkdir()
        self.redis = RealRedis(folder / "redis")
        self.redis.start()
        self.state = State(self.redis.link(), "fleet", 4)
        self.books = filled(folder, self.state)
        self.way = NoBroker()
        way: Any = self.way if commander is None else commander
        self.board = FleetBoard(self.state, self.books, way, "Invented care", 3.0, 300.0)
        self.board.look()
        self.web = Board(self.board, 3600.0)
        self.app = self.web.app()

    def close(self) -> None:
        self.board.close()
        self.books.close()
        self.redis.kill()


class Answer:
    def __init__(self) -> None:
        self.status = 0
        self.headers: dict[str, str] = {}
        self.body = b""

    @property
    def text(self) -> str:
        return self.body.decode()


class Asker:
    """Asks the application by its own interface; keeps the cookie and the token."""

    def __init__(self, app: Any, person: str = "") -> None:
        self.app, self.cookie, self.csrf = app, "", ""
        if person:
            said = self.ask("/login", {"person": person, "password": PASSWORD})
            assert said.status == 303, said.text
            self.csrf = re.findall(r'name="csrf" value="([^"]+)"', self.ask("/").text)[0]

    def ask(
        self, path: str, form: dict[str, Any] | None = None, headers: dict[str, str] | None = None,
        method: str = "",
    ) -> Answer:  # fmt: skip
        sent = {"host": HOST} | ({} if form is None else {"origin": f"http://{HOST}"})
        sent |= headers or {}
        if self.cookie:
            sent["cookie"] = f"{FLEET_COOKIE}={self.cookie}"
        content = urlencode(form or {}).encode()
        answer = asyncio.run(
            self._asked(method or ("GET" if form is None else "POST"), path, sent, content)
        )
        found = re.match(rf"{FLEET_COOKIE}=([^;]*)", answer.headers.get("set-cookie", ""))
        if found is not None:
            self.cookie = found[1]
        return answer

    def act(self, **fields: str) -> Answer:
        return self.ask("/act", {"csrf": self.csrf, **fields})

    async def _asked(self, method: str, path: str, headers: dict[str, str], body: bytes) -> Answer:
        answer, given = Answer(), [{"type": "http.request", "body": body, "more_body": False}]
        bare, _, query = path.partition("?")
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": bare, "raw_path": bare.encode(), "query_string": query.encode(),
            "root_path": "", "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
            "client": ("192.0.2.7", 1), "server": ("127.0.0.1", 8450),
        }  # fmt: skip

        async def receive() -> dict[str, Any]:
            return given.pop(0) if given else {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                answer.status = message["status"]
                answer.headers = {k.decode(): v.decode() for k, v in message["headers"]}
            else:
                answer.body += message.get("body", b"")

        await self.app(scope, receive, send)
        return answer
