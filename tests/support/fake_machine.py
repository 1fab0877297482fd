"""A machine in a folder for deploy/install and deploy/uninstall: files are real, the rest is noted.

The programs that would change users, packages and services are stood in for by one script that
writes its own command line into `calls` and answers from the folder `state`.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
UNIT = "etc/systemd/system/canister-monitor.service"
CONFIG = "etc/canister-monitor/canister.toml"
DATA = "var/lib/canister-monitor"

_STUB = r"""#!/bin/sh
name=${0##*/}
[ "$name" = python ] && name=python3
printf '%s %s\n' "$name" "$*" >>"$STATE/calls"
for words in "$STATE"/fail/*; do
    [ -f "$words" ] || continue
    case "$name $*" in *"$(cat "$words")"*) echo "$name: made to fail" >&2; exit 1 ;; esac
done
case "$name $*" in
"apt-cache show python3-lgpio") [ -f "$STATE/apt-has-lgpio" ] ;;
"apt-get install "*)
    for word in "$@"; do case "$word" in -* | install) ;; *) : >"$STATE/package-$word" ;; esac; done ;;
"dpkg-query "*) for word in "$@"; do :; done; [ -f "$STATE/package-$word" ] && printf installed ;;
"getent group gpio") [ -f "$STATE/group" ] ;;
"groupadd "*) : >"$STATE/group" ;;
"id -u canister-monitor") [ -f "$STATE/user" ] ;;
"id -nG canister-monitor") cat "$STATE/user" ;;
"useradd "*) echo "canister-monitor gpio" >"$STATE/user" ;;
"usermod "*) echo "canister-monitor gpio" >"$STATE/user" ;;
"userdel "*) rm "$STATE/user" ;;
"id "*) exec /usr/bin/id "$@" ;;
"python3 -V") echo "Python 3.11.2" ;;
"python3 -m venv "*) for word in "$@"; do :; done; mkdir -p "$word/bin" && cp "$0" "$word/bin/python" ;;
"systemctl -q is-enabled"*) [ -f "$STATE/enabled" ] ;;
"systemctl -q enable"*) : >"$STATE/enabled" ;;
"systemctl -q disable"*) rm -f "$STATE/enabled" ;;
"systemctl -q is-active"*) [ -f "$STATE/active" ] ;;
"systemctl restart"*) : >"$STATE/active" ;;
"systemctl stop"*) rm -f "$STATE/active" ;;
"journalctl "*) echo "canister: /etc/canister-monitor/canister.toml: invented mistake" ;;
esac
"""
_PROGRAMS = (
    "apt-get", "apt-cache", "dpkg-query", "getent", "groupadd", "useradd", "usermod", "userdel",
    "id", "systemctl", "udevadm", "journalctl", "python3", "chown", "runuser",
)  # fmt: skip


class FakeMachine:
    """A fresh machine below `folder`; `pi` and `systemd` say what kind."""

    def __init__(self, folder: Path, pi: bool = True, systemd: bool = True) -> None:
        self.root = folder / "root"
        self.state = folder / "state"
        programs = folder / "programs"
        for made in (self.root / "etc", self.state / "fail", programs):
            made.mkdir(parents=True)
        for name in _PROGRAMS:
            (programs / name).write_text(_STUB, encoding="utf-8")
            (programs / name).chmod(0o755)
        self.write("etc/os-release", 'PRETTY_NAME="Invented OS (bookworm)"\n')
        if pi:
            self.write("proc/device-tree/model", "Raspberry Pi, an invented one\0")
            self.write("boot/firmware/config.txt", "# for everybody\n[pi4]\narm_boost=1\n")
        if systemd:
            (self.root / "run/systemd/system").mkdir(parents=True)
        self.env = {
            **os.environ,
            "PATH": f"{programs}:{os.environ['PATH']}",
            "STATE": str(self.state),
        }

    def write(self, name: str, text: str) -> Path:
        file = self.root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")
        return file

    def read(self, name: str) -> str:
        return (self.root / name).read_text(encoding="utf-8")

    def there(self, name: str) -> bool:
        return os.path.lexists(self.root / name)

    def own_configuration(self) -> None:
        """Put a configuration in place that is none of the examples."""
        self.write(CONFIG, "# mine\n")

    def fails(self, words: str) -> None:
        """Let every command whose line holds these words fail."""
        (self.state / "fail" / str(abs(hash(words)))).write_text(words, encoding="utf-8")

    def run(self, script: str, *options: str, typed: str = "") -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(ROOT / "deploy" / script), "--root", str(self.root), *options],
            input=typed, env=self.env, capture_output=True, text=True, check=False,
        )  # fmt: skip

    def install(self, *options: str) -> subprocess.CompletedProcess[str]:
        return self.run("install", *options)

    def calls(self) -> list[str]:
        """Return the command lines since the last call."""
        file = self.state / "calls"
        found = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
        file.unlink(missing_ok=True)
        return found

    def files(self) -> set[str]:
        return {str(p.relative_to(self.root)) for p in self.root.rglob("*") if not p.is_dir()}
