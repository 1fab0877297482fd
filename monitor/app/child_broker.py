"""A mosquitto of our own for the rehearsal: loopback only, a free port, gone with us."""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from pathlib import Path

from monitor.errors import BrokerError

_log = logging.getLogger(__name__)
_READY_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.5


def mosquitto_binary() -> str | None:
    """Return where mosquitto is; Debian keeps it outside an ordinary user's path."""
    path = os.environ.get("PATH", "") + os.pathsep + "/usr/sbin" + os.pathsep + "/usr/local/sbin"
    return shutil.which("mosquitto", path=path)


class ChildBroker:
    """Runs mosquitto as a child process and starts it again should it die.

    Raises:
        BrokerError: it does not come up.
    """

    def __init__(self, binary: str) -> None:
        self._binary = binary
        self._folder = tempfile.TemporaryDirectory(prefix="canister-broker-")
        self.port = _free_port()
        self._halt = threading.Event()
        self._process = self._start()
        self._keeper = threading.Thread(target=self._keep, name="broker-keeper", daemon=True)
        self._keeper.start()

    def _start(self) -> subprocess.Popen[bytes]:
        folder = Path(self._folder.name)
        config = folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nautosave_interval 1\nautosave_on_changes true\n"
            "max_queued_messages 0\nlog_type error\n",
            encoding="utf-8",
        )
        if os.geteuid() == 0:  # mosquitto gives up root and must still write here
            config.write_text(config.read_text(encoding="utf-8") + "user root\n", encoding="utf-8")
        process = subprocess.Popen(
            [self._binary, "-c", str(config)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + _READY_WITHIN_S
        while time.monotonic() < until and process.poll() is None:
            with (
                contextlib.suppress(OSError),
                socket.create_connection(("127.0.0.1", self.port), timeout=0.5),
            ):
                return process
            time.sleep(0.05)
        process.kill()
        process.wait()
        raise BrokerError(
            f"{self._binary}: did not come up on 127.0.0.1:{self.port}; name a broker with --broker"
        )

    def _keep(self) -> None:
        while not self._halt.wait(_LOOK_EVERY_S):
            if self._process.poll() is not None:
                with contextlib.suppress(BrokerError):
                    self._process = self._start()
                    _log.info("the rehearsal's broker had died and was started again")

    def stop(self) -> None:
        """End the child and remove its folder."""
        self._halt.set()
        self._keeper.join(timeout=_READY_WITHIN_S + 1)
        self._process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(timeout=5)
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._folder.cleanup()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
