"""A program on a real pseudo-terminal, and what a person sees there, by the emulator pyte."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time

import pyte


class Terminal:
    """`canister …` on a terminal of a size.

    `screen` is what is seen now; `raw` all that was ever written to it.
    """

    def __init__(self, columns: int, rows: int, *arguments: str, **environment: str) -> None:
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.raw = b""
        self.master, slave = pty.openpty()
        self._sized(slave, columns, rows)
        kept = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "NO_COLOR")}
        kept |= {"TERM": "xterm-256color", "LANG": "C.UTF-8", "LC_ALL": "C.UTF-8"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor", *arguments],
            stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            env={k: v for k, v in (kept | environment).items() if v},
        )  # fmt: skip
        os.close(slave)

    @staticmethod
    def _sized(fd: int, columns: int, rows: int) -> None:
        fcntl.ioctl(fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def resize(self, columns: int, rows: int) -> None:
        self._sized(self.master, columns, rows)
        self.screen.resize(rows, columns)

    def read(self, for_s: float) -> None:
        """Take in what is written for so long, or until the program is gone."""
        end = time.monotonic() + for_s
        while (left := end - time.monotonic()) > 0:
            if not select.select([self.master], [], [], left)[0]:
                return
            try:
                got = os.read(self.master, 65536)
            except OSError:  # how Linux tells that the other side is closed
                return
            if not got:
                return
            self.raw += got
            self._stream.feed(got)

    def shows(self, words: str, within_s: float = 30.0) -> bool:
        end = time.monotonic() + within_s
        while time.monotonic() < end:
            self.read(0.2)
            if words in self.text:
                return True
        return False

    @property
    def text(self) -> str:
        return "\n".join(line.rstrip() for line in self.screen.display)

    def interrupt(self) -> int:
        """Send what Ctrl-C sends; return the exit code."""
        self.process.send_signal(signal.SIGINT)
        return self.end()

    def end(self) -> int:
        self.read(3.0)
        return self.process.wait(20)

    def hang_up(self) -> None:
        """Take the terminal away without a signal, as a broken connection may."""
        os.close(self.master)
        self.master = -1

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self.master >= 0:
            os.close(self.master)
