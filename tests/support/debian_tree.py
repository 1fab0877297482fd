"""A Debian release in a folder with its own systemd running; standard library only.

Package sources, proxies and certificates are those of the machine that builds it.
"""

from __future__ import annotations

import os
import shutil
import signal
import ssl
import subprocess
import time
from collections.abc import Mapping
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SOURCE = "root/source"
_MIRROR = "http://deb.debian.org/debian"
_PACKAGES = "ca-certificates,systemd,dbus"
_CERTIFICATES = "/etc/ssl/certs/ca-certificates.crt"
_PASSED_ON = ("http_proxy", "https_proxy", "no_proxy", "PIP_INDEX_URL", "PIP_EXTRA_INDEX_URL")
_COPIED = ("monitor", "deploy", "pyproject.toml", "README.md", "LICENSE")


def mirror() -> str:
    """Return where this machine's apt gets Debian from."""
    done = subprocess.run(
        ["apt-get", "indextargets", "--format", "$(REPO_URI)", "Created-By: Packages",
         "Origin: Debian", "Label: Debian"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return (done.stdout.split() or [_MIRROR])[0]


class Tree:
    """One release in `folder`."""

    def __init__(self, release: str, folder: Path) -> None:
        self.release = release
        self.root = folder / release
        self._container: subprocess.Popen[bytes] | None = None
        self._leader = 0

    def build(self) -> None:
        """Make it anew.

        Raises:
            RuntimeError: debootstrap failed; the message holds its last lines.
        """
        shutil.rmtree(self.root, ignore_errors=True)
        done = subprocess.run(
            ["debootstrap", "--variant=minbase", f"--include={_PACKAGES}", self.release,
             str(self.root), mirror()],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
        )  # fmt: skip
        if done.returncode != 0:
            raise RuntimeError(f"debootstrap {self.release}: {done.stdout[-500:]}")
        ours = ssl.get_default_verify_paths().cafile
        if ours:
            shutil.copy(ours, f"{self.root}{_CERTIFICATES}")
        proxies = subprocess.run(
            ["apt-config", "dump", "--format", '%f "%v";%n', "Acquire::http::Proxy",
             "Acquire::https::Proxy"],
            capture_output=True, text=True, check=False,
        ).stdout  # fmt: skip
        (self.root / "etc/apt/apt.conf.d/99-proof").write_text(proxies, encoding="utf-8")
        for name in _COPIED:
            here, there = ROOT / name, self.root / SOURCE / name
            if here.is_dir():
                shutil.copytree(here, there, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                there.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(here, there)

    def boot(self) -> bool:
        """Start its systemd; return whether it came up."""
        # A container may not even read the clock's state unless told so; a board may.
        self._container = subprocess.Popen(
            ["systemd-nspawn", "--quiet", "--register=no", "--keep-unit", "--boot",
             "--console=pipe",
             "--system-call-filter=adjtimex clock_adjtime", "--resolv-conf=copy-host", "-D", str(self.root)],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        until = time.monotonic() + 60
        while time.monotonic() < until and self._container.poll() is None:
            children = Path(f"/proc/{self._container.pid}/task/{self._container.pid}/children")
            found = children.read_text().split() if children.exists() else []
            if found:
                self._leader = int(found[0])
                state = self.run("systemctl is-system-running")
                if state.stdout.strip() in ("running", "degraded"):
                    return True
            time.sleep(0.5)
        return False

    def run(self, command: str, typed: str = "") -> subprocess.CompletedProcess[str]:
        """Run a shell command inside, as root, from /root; in a bare chroot until it is booted."""
        inside = (
            ["nsenter", "-t", str(self._leader), "-m", "-u", "-i", "-p", "-C"]
            if self._leader
            else ["chroot", str(self.root)]
        )
        return subprocess.run(
            [*inside, "/bin/sh", "-c", f"cd /root && {command}"],
            input=typed, capture_output=True, text=True, check=False, env=self._environment(),
        )  # fmt: skip

    @staticmethod
    def _environment() -> Mapping[str, str]:
        passed = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
        return {
            "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
            "HOME": "/root", "LANG": "C.UTF-8", "COLUMNS": "200", "PIP_CERT": _CERTIFICATES,
            **passed,
        }  # fmt: skip

    def write(self, name: str, text: str) -> None:
        """Write a file inside."""
        file = self.root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")

    def halt(self) -> None:
        """Stop its systemd and everything in it."""
        if self._container is None:
            return
        self._container.send_signal(signal.SIGTERM)
        try:
            self._container.wait(60)
        except subprocess.TimeoutExpired:
            self._container.kill()
            self._container.wait()
        self._container, self._leader = None, 0
