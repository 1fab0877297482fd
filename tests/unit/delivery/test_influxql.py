"""What asks in InfluxQL, against servers that answer as they should not, or elsewhere."""

from __future__ import annotations

import base64
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlparse

import pytest

from monitor.delivery.influx import Server
from monitor.delivery.influxql import Asker, name, text
from monitor.errors import MachineError, Refused, SettingsError

SOUND = '{"results":[{"series":[{"name":"m","tags":{"filter":"a"},"columns":["time","n"],"values":[[5,1]]}]}]}'


class Answering:
    """An HTTP server that gives one answer; it remembers what it was asked."""

    def __init__(self) -> None:
        self.status, self.headers, self.body = 200, dict[str, str](), SOUND
        self.asked: list[tuple[str, Any]] = []
        mine = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                mine.asked.append((self.path, self.headers))
                self.send_response(mine.status)
                for key, value in mine.headers.items():
                    self.send_header(key, value)
                self.end_headers()
                self.wfile.write(mine.body.encode())

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def asker(self, token: str = "", bucket: str = "base/policy") -> Asker:
        return Asker(Server(self.url, "", bucket, token))

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def server() -> Iterator[Answering]:
    made = Answering()
    yield made
    made.close()


def test_an_answer_is_rows_by_column(server: Answering) -> None:
    (series,) = server.asker().ask("SELECT 1")
    assert series.tags == {"filter": "a"}
    assert series.rows == [{"time": 5, "n": 1}]
    asked = parse_qs(urlparse(server.asked[0][0]).query)
    assert asked == {"db": ["base"], "rp": ["policy"], "q": ["SELECT 1"], "epoch": ["ns"]}
    server.asker(bucket="base").ask("SELECT 1")
    assert "rp" not in parse_qs(urlparse(server.asked[1][0]).query)
    server.body = '{"results":[{"statement_id":0}]}'
    assert server.asker().ask("SELECT 1") == []


def test_who_asks_is_said_as_each_server_has_it(server: Answering) -> None:
    """1.8 takes a name and password (RFC 7617), 2 and 3 a token."""
    server.asker().ask("q")
    server.asker("reader:secret").ask("q")
    server.asker("opaque==").ask("q")
    said = [headers["Authorization"] for _, headers in server.asked]
    assert said[0] is None
    assert base64.b64decode(said[1].removeprefix("Basic ")) == b"reader:secret"
    assert said[2] == "Token opaque=="


def test_a_token_is_not_carried_elsewhere(server: Answering) -> None:
    other = Answering()
    server.status, server.headers = 302, {"Location": f"{other.url}/query"}
    with pytest.raises(Refused, match="302"):
        server.asker("opaque").ask("q")
    assert other.asked == []
    other.close()


@pytest.mark.parametrize(
    ("status", "body", "kind", "told"),
    [
        (401, '{"error":"no such token opaque"}', Refused, "401.*token \\.\\.\\.\"}.*; look at influx.url"),
        (404, '{"code":"not found","message":"no dbrp mapping found"}', Refused, "mapped to a database"),
        (503, "busy\nnow", MachineError, "is in trouble: 503 busy now; try again later"),
        (429, "", MachineError, "try again later"),
        (200, "<html>", MachineError, "not as InfluxDB does"),
        (200, "[1]", MachineError, "not as InfluxDB does"),
        (200, '{"results":[{"series":[{"values":[[1]]}]}]}', MachineError, "not as InfluxDB does"),
        (200, '{"results":[{"error":"database not found: base"}]}', Refused, "database not found: base"),
        (200, SOUND.replace('"values"', '"partial":true,"values"'), Refused, "max-row-limit"),
    ],
)  # fmt: skip
def test_what_goes_wrong_is_one_line_without_the_token(
    server: Answering, status: int, body: str, kind: type[Exception], told: str
) -> None:
    server.status, server.body = status, body
    with pytest.raises(kind, match=told) as error:
        server.asker("opaque").ask("q")
    assert "opaque" not in str(error.value)
    assert "\n" not in str(error.value)
    assert type(error.value) is kind


def test_a_certificate_that_is_not_there_is_the_users_mistake() -> None:
    with pytest.raises(SettingsError, match=r"influx\.ca_file"):
        Asker(Server("https://127.0.0.1:1", "", "b", "", "/nowhere/ca.pem"))


def test_names_and_texts_cannot_end_early() -> None:
    assert name('a"; DROP') == '"a\\"; DROP"'
    assert text("x' OR 'a'='a") == "'x\\' OR \\'a\\'=\\'a'"
    assert text("end\\") == "'end\\\\'"
