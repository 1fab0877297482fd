"""Somebody who is told: takes what apprise posts as JSON."""

from __future__ import annotations

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from tests.conftest import free_port


class Phone:
    """Takes what people are told."""

    def __init__(self) -> None:
        self.bodies: list[str] = []
        bodies = self.bodies

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                told = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                bodies.append(f"{told['title']}\n{told['message']}")
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        self.port = free_port()
        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def lines(self) -> list[str]:
        """Every note that was told: site, and its line."""
        found = []
        for body in self.bodies:
            title, *lines = body.splitlines()
            site = title.split(":", 1)[0]
            found += [f"{site}: {line}" for line in lines]
        return found

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
