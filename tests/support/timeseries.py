"""Real time-series servers on loopback, and a stand-in for the endpoint that Debian's InfluxDB lacks.

Debian's InfluxDB is 1.6.7, which has no /api/v2/write. `compatible` answers there as InfluxDB 1.8 does
(InfluxData, "InfluxDB 2.x API compatibility endpoints", InfluxDB OSS v1.8: the bucket is
database/retention-policy, the organisation is not used, an answer is that of /write) and hands every
body on to the real server, whose answer it gives back.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import shutil
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import free_port


class Server:
    """A child process on a port of its own that can be killed and started again."""

    program = ""
    alive = "/ping"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        binary = shutil.which(self.program)
        if binary is None:
            pytest.fail(f"{self.program} is missing; tests/run installs it")
        self.binary = binary
        self.process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(self.command(), stdout=log, stderr=log)
        end = time.monotonic() + 30
        while time.monotonic() < end:
            with contextlib.suppress(OSError):
                self.get(self.alive)
                return
            time.sleep(0.05)
        pytest.fail(f"{self.program} did not start: {(self.folder / 'log').read_text()[-2000:]}")

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def get(self, path: str, **query: str) -> str:
        asked = f"{self.url}{path}?{urllib.parse.urlencode(query)}"
        with urllib.request.urlopen(asked, timeout=20) as answer:
            return str(answer.read().decode())

    def post(self, path: str, body: str, **query: str) -> int:
        asked = f"{self.url}{path}?{urllib.parse.urlencode(query)}"
        request = urllib.request.Request(asked, body.encode(), method="POST")
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return int(answer.status)
        except urllib.error.HTTPError as error:
            return error.code


class VictoriaMetrics(Server):
    """VictoriaMetrics as Debian has it, told to keep one of two equal points, as our guide says."""

    program = "victoria-metrics"
    alive = "/health"

    def command(self) -> list[str]:
        return [
            self.binary, f"-storageDataPath={self.folder / 'data'}", f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y", "-loggerLevel=WARN", "-memory.allowedBytes=100MB", "-dedup.minScrapeInterval=1ms",
        ]  # fmt: skip

    def points(self, selector: str) -> dict[tuple[str, ...], list[tuple[float, float]]]:
        """Every stored point of a selector, by the values of its labels but the database's."""
        self.get("/internal/force_flush")
        found: dict[tuple[str, ...], list[tuple[float, float]]] = {}
        for text in self.get("/api/v1/export", **{"match[]": selector}).splitlines():
            series = json.loads(text)
            labels = tuple(f"{k}={v}" for k, v in sorted(series["metric"].items()) if k != "db")
            pairs = zip(series["timestamps"], series["values"], strict=True)
            found[labels] = sorted((stamp / 1000, value) for stamp, value in pairs)
        return found

    def invalid_rows(self) -> int:
        """How many lines it has answered 204 to and thrown away."""
        lines = self.get("/metrics").splitlines()
        return sum(int(x.rsplit(" ", 1)[1]) for x in lines if x.startswith("vm_rows_invalid_total"))


_INFLUX1 = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
[monitor]
store-enabled = false
[http]
bind-address = "127.0.0.1:{port}"
log-enabled = false
"""


class Influx1(Server):
    """InfluxDB 1.x as Debian has it."""

    program = "influxd"

    def command(self) -> list[str]:
        file = self.folder / "influxdb.conf"
        file.write_text(
            _INFLUX1.format(folder=self.folder, port=self.port, rpc=free_port()), encoding="utf-8"
        )
        return [self.binary, "-config", str(file)]

    def ask(self, question: str, database: str = "history") -> list[dict[str, Any]]:
        """The series that an InfluxQL query answers with."""
        body = self.get("/query", q=question, db=database, epoch="ns")
        result = json.loads(body)["results"][0]
        assert "error" not in result, result
        return list(result.get("series", []))

    def rows(self, question: str) -> list[dict[str, Any]]:
        """The rows of the first series, each by column."""
        return [
            dict(zip(one["columns"], values, strict=True))
            for one in self.ask(question)[:1]
            for values in one["values"]
        ]


@contextlib.contextmanager
def serving(server: Server) -> Iterator[Server]:
    server.start()
    try:
        yield server
    finally:
        server.kill()


Answer = tuple[int, dict[str, str], str]


class Gate:
    """An HTTP server for /api/v2/write that answers as told; it remembers what came."""

    def __init__(self, answer: Callable[[dict[str, str], list[str]], Answer]) -> None:
        self.answer = answer
        self.came: list[list[str]] = []
        self.asked: list[dict[str, str]] = []
        self.headers: list[dict[str, str]] = []
        gate = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                path, _, query = self.path.partition("?")
                asked = dict(urllib.parse.parse_qsl(query)) | {"path": path}
                lines = body.decode().splitlines()
                gate.came.append(lines)
                gate.asked.append(asked)
                gate.headers.append(dict(self.headers.items()))
                status, headers, text = gate.answer(asked, lines)
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(text.encode())))
                self.end_headers()
                self.wfile.write(text.encode())

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


def compatible(real: Influx1) -> Gate:
    """The endpoint of InfluxDB 1.8, before a real 1.6."""

    def hand_on(asked: dict[str, str], lines: list[str]) -> Answer:
        if asked["path"] != "/api/v2/write":
            return 404, {}, '{"error":"not found"}'
        database, _, policy = asked["bucket"].partition("/")
        query = {"db": database, "rp": policy, "precision": {"us": "u"}.get(asked["precision"], asked["precision"])}  # fmt: skip
        request = urllib.request.Request(
            f"{real.url}/write?{urllib.parse.urlencode(query)}",
            "\n".join(lines).encode(),
            method="POST",
        )
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return int(answer.status), {}, ""
        except urllib.error.HTTPError as error:
            return error.code, {}, error.read().decode()
        except OSError as error:
            return 503, {}, str(error)

    return Gate(hand_on)
