"""Takes lines of history from the state to the time-series server, behind a cursor of its own."""

from __future__ import annotations

import logging
import threading

import msgspec

from monitor.delivery.dispatcher import Later, RowRejected
from monitor.delivery.influx import InfluxSink
from monitor.errors import MachineError
from monitor.hub.state import DeadLetter, State
from monitor.hub.streams import Stream, Waiting
from monitor.hub.worker import Waits

_log = logging.getLogger(__name__)
_AT_ONCE = 5000
_LOOK_EVERY_S = 1.0
_LONGEST_LATER_S = 300.0


class Line(msgspec.Struct, frozen=True):
    """A line as a sink takes it."""

    seq: int
    text: str
    journal: str = ""


class History:
    """Serves until stopped; several processes share the work.

    Args:
        state, stream: where lines wait.
        sink: the server.
    """

    def __init__(self, state: State, stream: Stream, sink: InfluxSink[Line]) -> None:
        self._state = state
        self._stream = stream
        self._sink = sink
        self._waits = Waits()
        self._halt = threading.Event()
        self._trouble: str | None = None
        self.written = 0

    def stop(self) -> None:
        """End after what is in hand."""
        self._halt.set()

    def run(self) -> None:
        """Serve; no error ends it, and no line goes before the server has it."""
        is_open = False
        while not self._halt.is_set():
            wait_s = _LOOK_EVERY_S
            try:
                if not is_open:
                    self._sink.open()
                    is_open = True
                if self.turn() == _AT_ONCE:
                    wait_s = 0.0
                self._waits.reset()
                if self._trouble is not None:
                    _log.info("history is taken again")
                    self._trouble = None
            except Exception as error:
                is_open, wait_s = False, self._waits.next_s()
                if isinstance(error, Later):
                    wait_s = max(wait_s, min(error.wait_s, _LONGEST_LATER_S))
                if not isinstance(error, MachineError):
                    _log.exception("history failed unexpectedly")
                elif self._trouble is None:
                    _log.warning("%s; history waits in redis", error)
                self._trouble = str(error)
            self._halt.wait(wait_s)
        self._sink.close(True)

    def turn(self) -> int:
        """Write what waits; return how many lines were taken in hand.

        Raises:
            MachineError: the server or Redis does not take it; nothing is lost.
        """
        waiting = self._stream.take(_AT_ONCE)
        left = waiting
        while left:
            left = self._some(left)
        return len(waiting)

    def _some(self, waiting: list[Waiting]) -> list[Waiting]:
        """Write lines up to the first that can never be taken; return what is left."""
        lines = [Line(n, one.fields.get("line", "")) for n, one in enumerate(waiting)]
        try:
            settled = self._sink.deliver(lines)
        except RowRejected as why:
            settled = why.settled
            bad = waiting[settled]
            text = bad.fields.get("line", "").encode()
            self._state.refuse([DeadLetter("history line not taken", bad.stream, text, str(why))])
            self._stream.done(waiting[: settled + 1])
            self.written += settled
            return waiting[settled + 1 :]
        self._stream.done(waiting[:settled])
        self.written += settled
        return waiting[settled:]
