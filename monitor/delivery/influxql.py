"""Asks a time-series server in InfluxQL over `/query`: InfluxDB 1.8, 2 and 3.

InfluxDB 2 answers there once its bucket is mapped to a database (`influx v1 dbrp create`); InfluxDB 3 takes
the database's name. Sources: InfluxData, "InfluxDB API reference" (OSS v1.8), "InfluxDB 1.x compatibility API"
(OSS v2), "Use the InfluxDB v1 HTTP query API" (InfluxDB 3 Core). Only the standard library.
"""

from __future__ import annotations

import base64
import contextlib
import http.client
import json
import ssl
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from typing import Any

import msgspec

from monitor.delivery.influx import Server
from monitor.errors import MachineError, Refused, SettingsError

_TIMEOUT_S = 30.0
_MOST_BYTES = 64_000_000
_TOLD_CHARACTERS = 160


class Series(msgspec.Struct, frozen=True):
    """Rows of one answer by column, and the tags that they share."""

    tags: Mapping[str, str]
    rows: list[dict[str, Any]]


def name(text: str) -> str:
    """Return a name of a measurement, a tag or a field as InfluxQL has it."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def text(value: str) -> str:
    """Return a text as InfluxQL has it."""
    return "'" + value.replace("\\", "\\\\").replace("'", "\\'") + "'"


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """An answer that points elsewhere must not carry the token there."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None


class Asker:
    """Asks one server.

    Args:
        server: where; its bucket is database or database/retention policy, its token for 1.8 user:password.

    Raises:
        SettingsError: the certificate cannot be used.
    """

    def __init__(self, server: Server) -> None:
        self._server = server
        try:
            context = ssl.create_default_context(cafile=server.ca_file or None)
        except (OSError, ssl.SSLError) as error:
            raise SettingsError(
                [f"influx.ca_file: {server.ca_file}: cannot be used: {error}"]
            ) from error
        self._opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}),
            urllib.request.HTTPSHandler(context=context),
            _NoRedirect(),
        )

    def ask(self, question: str) -> list[Series]:
        """Return what one question is answered with; its times are nanoseconds since 1970-01-01 UTC.

        Raises:
            Refused: the server's answer is no.
            MachineError: it is away, in trouble, or speaks otherwise.
        """
        database, _, policy = self._server.bucket.partition("/")
        asked = {"db": database, "q": question, "epoch": "ns"} | ({"rp": policy} if policy else {})
        request = urllib.request.Request(
            f"{self._server.url}/query?{urllib.parse.urlencode(asked)}", headers=self._credentials()
        )
        try:
            with self._opener.open(request, timeout=_TIMEOUT_S) as answer:
                body = answer.read(_MOST_BYTES + 1)
        except urllib.error.HTTPError as error:
            raise self._judged(error) from error
        except (OSError, http.client.HTTPException) as error:
            reason = getattr(error, "reason", None) or error
            raise MachineError(
                f"influx: {self._server.url} does not answer ({reason}); look at the network and at influx.url"
            ) from error
        if len(body) > _MOST_BYTES:
            raise MachineError(
                f"influx: {self._server.url} answers with more than {_MOST_BYTES} bytes"
            )
        return self._read(body)

    def _credentials(self) -> dict[str, str]:
        token = self._server.token
        if not token:
            return {}
        if ":" in token:
            coded = base64.b64encode(token.encode()).decode()
            return {"Authorization": f"Basic {coded}"}
        return {"Authorization": f"Token {token}"}

    def _judged(self, error: urllib.error.HTTPError) -> MachineError:
        with contextlib.closing(error):
            try:
                said = error.read(4000).decode("utf-8", "replace")
            except (OSError, http.client.HTTPException):
                said = ""
        url, why = self._server.url, self._told(f"{error.code} {said}")
        if error.code in (408, 429) or error.code >= 500:
            return MachineError(f"influx: {url} is in trouble: {why}; try again later")
        return Refused(
            f"influx: {url} refuses: {why}; look at influx.url, influx.bucket and influx.token_file, and that "
            "InfluxDB 2 has its bucket mapped to a database"
        )

    def _read(self, body: bytes) -> list[Series]:
        try:
            whole = json.loads(body)
            result = whole["results"][0] if whole.get("results") else {}
            why = whole.get("error") or result.get("error")
            found = [
                Series(
                    one.get("tags") or {},
                    [dict(zip(one["columns"], row, strict=True)) for row in one.get("values", ())],
                )
                for one in result.get("series", ())
            ]
            cut = bool(result.get("partial") or any(s.get("partial") for s in result.get("series", ())))  # fmt: skip
        except (ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
            raise MachineError(
                f"influx: {self._server.url} answers, but not as InfluxDB does; look at influx.url"
            ) from error
        if why:
            raise Refused(
                f"influx: {self._server.url} refuses: {self._told(str(why))}; look at influx.bucket"
            )
        if cut:
            raise Refused(
                f"influx: {self._server.url} answers in part only; raise max-row-limit in its configuration"
            )
        return found

    def _told(self, said: str) -> str:
        """An answer in one line; a server could say the token back to us."""
        line = " ".join(said.split())
        if self._server.token:
            line = line.replace(self._server.token, "...")
        return "".join(c for c in line if c.isprintable())[:_TOLD_CHARACTERS]
