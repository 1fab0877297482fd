"""A real Redis on loopback that keeps an append-only file; it can be killed, restarted and flushed."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import time
from pathlib import Path

import pytest
import redis

from tests.conftest import free_port


class RealRedis:
    """A server of the tests' own."""

    def __init__(self, folder: Path, *more: str) -> None:
        binary = shutil.which("redis-server")
        if binary is None:
            pytest.fail("redis-server is missing; tests/run installs it")
        self.port = free_port()
        self.url = f"redis://127.0.0.1:{self.port}/0"
        self._folder = folder
        self._command = [
            binary, "--port", str(self.port), "--bind", "127.0.0.1", "--dir", str(folder),
            "--appendonly", "yes", "--save", "", "--maxmemory-policy", "noeviction", *more,
        ]  # fmt: skip
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self._folder / "log").open("ab") as log:
            self.process = subprocess.Popen(self._command, stdout=log, stderr=log)
        link, until = redis.Redis(port=self.port), time.monotonic() + 15
        while time.monotonic() < until:
            with contextlib.suppress(redis.RedisError):
                link.ping()
                link.close()
                return
            time.sleep(0.02)
        pytest.fail(f"redis did not start: {(self._folder / 'log').read_text()[-2000:]}")

    def link(self) -> redis.Redis:
        return redis.Redis(port=self.port)

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None
