"""A proxy between the daemon and a broker whose line can be cut off without a word, or made slow."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from enum import StrEnum

_CHUNK_BYTES = 4096
_LOOK_EVERY_S = 0.05
# So that whoever sends feels a slow line instead of filling the kernel's buffers.
_BUFFER_BYTES = 4096


class Line(StrEnum):
    """How the line is."""

    OPEN = "open"
    BLACK_HOLE = "black hole"  # what is sent is neither delivered nor refused; connections stay
    SLOW = "slow"


class Proxy:
    """Listens on loopback and passes everything on to another port of it.

    Args:
        to_port: where the broker is.
        slow_bytes_per_s: in each direction while the line is slow.
    """

    def __init__(self, to_port: int, slow_bytes_per_s: float = 2000.0) -> None:
        self.line = Line.OPEN
        self._to_port = to_port
        self._slow_bytes_per_s = slow_bytes_per_s
        self._halt = threading.Event()
        self._listener = socket.socket()
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
        self._listener.bind(("127.0.0.1", 0))
        self._listener.listen(8)
        self._listener.settimeout(_LOOK_EVERY_S)
        self.port = int(self._listener.getsockname()[1])
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def close(self) -> None:
        """Cut every connection and listen no more."""
        self._halt.set()
        for thread in self._threads:
            thread.join(5)
        self._listener.close()

    def _accept(self) -> None:
        while not self._halt.is_set():
            try:
                near, _ = self._listener.accept()
            except TimeoutError:
                continue
            thread = threading.Thread(target=self._serve, args=(near,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, near: socket.socket) -> None:
        with near:
            while self.line is Line.BLACK_HOLE and not self._halt.is_set():
                time.sleep(_LOOK_EVERY_S)
            try:
                far = socket.create_connection(("127.0.0.1", self._to_port), 5)
            except OSError:
                return
            with far:
                over = threading.Event()
                back = threading.Thread(target=self._pump, args=(far, near, over), daemon=True)
                back.start()
                self._pump(near, far, over)
                back.join(5)

    def _pump(self, source: socket.socket, sink: socket.socket, over: threading.Event) -> None:
        with contextlib.suppress(OSError):
            source.settimeout(_LOOK_EVERY_S)
        while not self._halt.is_set() and not over.is_set():
            if self.line is Line.BLACK_HOLE:
                time.sleep(_LOOK_EVERY_S)
                continue
            slow = self.line is Line.SLOW
            try:
                piece = source.recv(256 if slow else _CHUNK_BYTES)
                if not piece:
                    break
                if slow:
                    time.sleep(len(piece) / self._slow_bytes_per_s)
                sink.sendall(piece)
            except TimeoutError:
                continue
            except OSError:
                break
        over.set()
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
