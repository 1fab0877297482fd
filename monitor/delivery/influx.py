"""The sink of history: InfluxDB 2 and 3, the compatible endpoint of 1.8, VictoriaMetrics.

Everything goes over `/api/v2/write`, by influxdb-client, written and answered batch by batch: its
batching writer would drop what it cannot write. What an answer means:

    2xx                 taken
    429, 408, 5xx, none busy or away: everything waits, Retry-After is honoured
    400, 413, 422       one line at least cannot be taken: the first such is found by halving, and set
                        aside; the others are not held up
    any other           refused: everything waits until a person has mended it

A server answers 400 to a wrong address too. So no more than a few lines are set aside while none is
taken: after that it is a refusal.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any, Generic

import msgspec

from monitor.delivery.dispatcher import BATCH, Later, Row, RowRejected
from monitor.errors import MachineError, Refused

_log = logging.getLogger(__name__)
_TIMEOUT_MS = 10_000
_CANNOT_BE_TAKEN = (400, 413, 422)
_BUSY = (408, 429)
# So many lines in a row may be set aside with none taken; then the server, not a line, is at fault.
_MOST_IN_A_ROW = 3
_TOO_OLD = "beyond retention policy"
_TOLD_CHARACTERS = 160


class Server(msgspec.Struct, frozen=True):
    """Where history goes and who says so; `token` is a secret, `ca_file` may be empty."""

    url: str
    org: str
    bucket: str
    token: str
    ca_file: str = ""

    def __repr__(self) -> str:
        return f"Server({self.url!r}, {self.org!r}, {self.bucket!r})"


class _Unwritable(Exception):
    """The server takes this text as a whole not; `args[0]` says why."""


class InfluxSink(Generic[Row]):
    """Writes rows to a time-series server.

    Args:
        name: of the sink, and of its cursor.
        server: asked for at every opening, so that a changed token counts.
        line: makes the line of a row.
        batch: how many rows are written at once.
    """

    def __init__(
        self,
        name: str,
        server: Callable[[], Server],
        line: Callable[[Row], str],
        batch: int = BATCH,
    ) -> None:
        self.name = name
        self.batch = batch
        self._server = server
        self._line = line
        self._client: Any = None
        self._writer: Any = None
        self._where: Server | None = None
        self._in_a_row = 0
        self._told_too_old = False

    def open(self) -> None:
        """Read the token and make ready; nothing is asked of the server yet.

        Raises:
            SettingsError: the token cannot be read.
            MachineError: influxdb-client is not installed, or the certificate cannot be used.
        """
        self.close(False)
        try:
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS
        except ImportError as error:
            raise MachineError(
                "influx: the extra is not installed; run .venv/bin/pip install -c "
                "deploy/constraints.txt -e '.[influx]'"
            ) from error
        where = self._server()
        try:
            self._client = InfluxDBClient(
                where.url, where.token, org=where.org, timeout=_TIMEOUT_MS, enable_gzip=True,
                ssl_ca_cert=where.ca_file or None,
            )  # fmt: skip
        except (OSError, ValueError) as error:
            raise MachineError(
                f"influx: {where.url} cannot be used: {error}; look at influx.url and influx.ca_file"
            ) from error
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        self._where = where

    def deliver(self, entries: Sequence[Row]) -> int:
        """Write rows, oldest first; all of them are there when this returns.

        Raises:
            RowRejected: the row after the settled ones can never be taken.
            Later: the server is busy and says for how long.
            Refused: the server's answer is no.
            MachineError: it is away, or in trouble.
        """
        if not entries:
            return 0
        lines = [self._line(row) for row in entries]
        try:
            self._write(lines)
        except _Unwritable as why:
            raise self._first_bad(lines, str(why)) from None
        self._in_a_row = 0
        return len(entries)

    def close(self, on_purpose: bool) -> None:
        """Let go of the connection; nothing waits in it."""
        client, self._client, self._writer = self._client, None, None
        if client is not None:
            client.close()

    def _first_bad(self, lines: Sequence[str], why: str) -> MachineError:
        """Find the first line that cannot be taken; those before it are written on the way."""
        low, high = 0, len(lines)
        while high - low > 1:
            middle = (low + high) // 2
            try:
                self._write(lines[low:middle])
            except _Unwritable as error:
                high, why = middle, str(error)
            else:
                low = middle
        if low:
            self._in_a_row = 0
        self._in_a_row += 1
        if self._in_a_row > _MOST_IN_A_ROW:
            return Refused(
                f"influx: {self._url()} takes no line any more: {why}; look at influx.bucket, influx.org "
                "and the types of fields that are there already"
            )
        return RowRejected(low, f"influx: {why}")

    def _write(self, lines: Sequence[str]) -> None:
        """Write one text.

        Raises:
            _Unwritable, Later, Refused, MachineError: as the answer is.
        """
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        where = self._where
        if where is None or self._writer is None:
            raise MachineError("influx: not open")
        try:
            self._writer.write(where.bucket, where.org, "\n".join(lines), "ns")
        except ApiException as error:
            headers: Any = error.headers or {}
            self._judge(
                error.status or 0,
                headers.get("Retry-After"),
                error.body or error.reason,
                len(lines),
            )
        except HTTPError as error:
            raise MachineError(
                f"influx: {where.url} does not answer ({type(error).__name__}); look at the network and "
                "at influx.url"
            ) from error

    def _judge(self, status: int, retry_after: str | None, body: object, count: int) -> None:
        why = self._told(status, body)
        if status in _CANNOT_BE_TAKEN:
            if _TOO_OLD in str(body):
                # The others are written; what is too old for that server is not wanted there.
                self._say_too_old(why, count)
                return
            raise _Unwritable(why)
        if status == 0 or status in _BUSY or status >= 500:
            line = f"influx: {self._url()} is in trouble: {why}"
            wait_s = seconds_from(retry_after, datetime.now(UTC))
            if wait_s is not None:
                raise Later(wait_s, line)
            raise MachineError(line)
        raise Refused(
            f"influx: {self._url()} refuses: {why}; look at influx.token_file, influx.org and "
            "influx.bucket"
        )

    def _say_too_old(self, why: str, count: int) -> None:
        if not self._told_too_old:
            _log.warning("of %d lines some are older than the server keeps them: %s", count, why)
            self._told_too_old = True

    def _told(self, status: int, body: object) -> str:
        """The answer in one line; a server could say the token back to us."""
        text = " ".join(str(body or "").split())
        if self._where is not None and self._where.token:
            text = text.replace(self._where.token, "...")
        return f"{status or 'no status'} {text[:_TOLD_CHARACTERS]}".strip()

    def _url(self) -> str:
        return self._where.url if self._where is not None else ""


def seconds_from(retry_after: str | None, now: datetime) -> float | None:
    """Return what a Retry-After header asks for: seconds, or a date (RFC 9110, section 10.2.3).

    `None` for no header and for one that cannot be read; never negative.
    """
    if retry_after is None:
        return None
    text = retry_after.strip()
    if text.isascii() and text.isdigit():
        return float(text)
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return max(0.0, (at - now).total_seconds())


def look(server: Server) -> str | None:
    """Ask whether anybody is there, writing nothing; return what is wrong, `None` for an answer."""
    import ssl
    import urllib.error
    import urllib.request

    try:
        context = ssl.create_default_context(cafile=server.ca_file or None)
        with urllib.request.urlopen(f"{server.url}/ping", timeout=5, context=context):
            return None
    except urllib.error.HTTPError:
        return None  # it answers
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        return str(getattr(reason, "strerror", None) or reason)
