"""The life of a board on each Debian release, step by step; tests/install runs it.

Each step is asked of the machine itself: systemctl, sqlite, the files. What a container cannot
show (GPIO chips, the 1-Wire overlay, Raspberry Pi OS's own packages) is said at the end.
"""

from __future__ import annotations

import argparse
import json
import re
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.support.debian_tree import ROOT, SOURCE, Tree

RELEASES = ("bookworm", "trixie")
UNIT = "canister-monitor"
CONFIG = "etc/canister-monitor/canister.toml"
JOURNAL = "var/lib/canister-monitor/journal.sqlite"
# Watchdog 30 s, then 5 s for the abort and 5 s until the next start; and some for a busy machine.
HUNG_WITHIN_S = 60.0
FAILURES = 7  # systemd's own default gives up after five
RELEASED = "0.1.0"
# What Debian's own packages write when they are set up, and the container.
FOREIGN = (
    "/etc/.updated", "/etc/hosts", "/etc/inputrc", "/etc/networks", "/etc/python3",
    "/usr/local/lib/python3", "/var/lib/python",
)  # fmt: skip
SIMULATED = """
[site]
id = "proof"
source = "rig"
[filters.long_tank]
flow_sensor = { pin = 17, bore_mm = 16 }
pump = { rated_flow_l_per_h = 1000, max_head_m = 1.5 }
[filters.long_tank.hoses.both]
bore_mm = 16
length_m = 3
"""
NOT_SHOWN = (
    "Not shown here, for want of a board: the GPIO chip through DeviceAllow, the 1-Wire overlay "
    "after a boot, Raspberry Pi OS's own python3-lgpio (a stand-in built from the same source is)."
)


class Failed(Exception):
    """A step that did not come out as it must."""


def must(true: object, what: str) -> None:
    """Raise unless it is true."""
    if not true:
        raise Failed(what)


class Life:
    """The steps, in order; each returns what it measured."""

    def __init__(self, tree: Tree) -> None:
        self.tree = tree
        self.before: set[str] = set()

    def steps(self) -> list[tuple[str, Callable[[], str]]]:
        return [
            ("build the release", self.build),
            ("install in a chroot, no systemd running", self.in_chroot),
            ("start its systemd", self.boot),
            ("install: an invented example is not watched", self.example),
            ("install with a configuration: running", self.configured),
            ("install again: nothing changes", self.again),
            ("canister check", self.check),
            ("security score", self.score),
            ("inside the unit's sandbox", self.sandbox),
            ("a second daemon", self.second),
            ("wrong group, no 1-Wire bus", self.denied),
            ("journal of " + RELEASED + ", then an upgrade", self.upgrade),
            ("lgpio from apt", self.from_apt),
            ("hung: the watchdog", self.watchdog),
            ("a mistake, " + str(FAILURES) + " failures, mended", self.mended),
            ("uninstall keeps the data, install finds it", self.kept),
            ("uninstall with the data", self.gone),
        ]

    def go(self, command: str, rc: int = 0, typed: str = "") -> str:
        """Run inside; return standard output and error."""
        done = self.tree.run(command, typed)
        text = done.stdout + done.stderr
        must(
            done.returncode == rc, f"{command[:60]}: exit {done.returncode}: {text.strip()[-400:]}"
        )
        return text

    def shown(self, name: str) -> str:
        return self.go(f"systemctl show -P {name} {UNIT}").strip()

    def wait(self, condition: Callable[[], bool], within_s: float) -> float:
        began = time.monotonic()
        while not condition():
            must(time.monotonic() - began < within_s, f"not within {within_s:g} s")
            time.sleep(0.5)
        return time.monotonic() - began

    def install(self, options: str = "") -> str:
        return self.go(f"/{SOURCE}/deploy/install {options}")

    def files(self) -> set[str]:
        """Everything that no package owns, without what apt, systemd and the caches write."""
        listed = self.go(
            "find /etc /opt /usr/local /var/lib /boot -xdev \\( -path '/var/lib/apt' -o "
            "-path '/var/lib/dpkg' -o -path '/var/lib/systemd' -o -path /etc/alternatives "
            "-o -path /etc/ssl -o -path '/etc/ld.so*' \\) -prune -o -print"
        )
        owned = set(self.go("cat /var/lib/dpkg/info/*.list").splitlines())
        return {n for n in listed.splitlines() if n not in owned and not n.startswith(FOREIGN)}

    def build(self) -> str:
        self.tree.build()
        self.before = self.files()
        return self.go(". /etc/os-release; printf '%s' \"$PRETTY_NAME\"")

    def in_chroot(self) -> str:
        began = time.monotonic()
        text = self.install()
        took = time.monotonic() - began
        must("Installed." in text, text)
        source = re.search(r"^pin library +(.*)$", text, re.M)
        must(source, text)
        assert source is not None
        return f"{took:.0f} s, {source[1]}, {self.go('python3 -V').strip()}"

    def boot(self) -> str:
        must(self.tree.boot(), "its systemd did not start in a container on this machine")
        return self.go("systemctl --version").splitlines()[0]

    def example(self) -> str:
        text = self.install()
        must("invented example" in text, text)
        must(self.shown("ActiveState") == "inactive", "it runs")
        return "not started, told why"

    def configured(self) -> str:
        self.tree.write(CONFIG, SIMULATED)
        self.install("--hardware-watchdog")
        must(self.shown("ActiveState") == "active", "it does not run")
        must(self.shown("UnitFileState") == "enabled", "not enabled")
        must(self.shown("User") == UNIT, "wrong user")
        manager = self.go("systemctl show -P RuntimeWatchdogUSec").strip()
        must(manager == "14s", f"hardware watchdog: {manager}")
        return f"active as {UNIT}"

    def again(self) -> str:
        pid, before = self.shown("MainPID"), self.files()
        began = time.monotonic()
        self.install("--hardware-watchdog")
        took = time.monotonic() - began
        must(self.shown("MainPID") == pid, "it was restarted")
        left = before ^ self.files()
        must(not left, f"files changed: {sorted(left)[:5]}")
        return f"{took:.1f} s, same process"

    def check(self) -> str:
        found = [json.loads(line) for line in self.go("canister check --json").splitlines()]
        failed = [f["line"] for f in found if f["verdict"] == "failed"]
        must(not failed, str(failed))
        return f"{len(found)} findings, none failed"

    def score(self) -> str:
        text = self.go(f"systemd-analyze security --no-pager {UNIT}; true")
        found = re.search(r"Overall exposure level for \S+: ([\d.]+)", text)
        must(found, text)
        assert found is not None
        must(float(found[1]) <= 2.0, found[0])
        return found[1]

    def sandbox(self) -> str:
        """The shipped unit with another program in it, that looks around."""
        looks = """
import ctypes, os, pathlib, tempfile
from monitor.sensing.gpio import _lgpio
def may(deed):
    try:
        deed(); return True
    except OSError:
        return False
kernel = ctypes.CDLL(None, use_errno=True)
seen = {
    "clock is readable": kernel.adjtimex(ctypes.create_string_buffer(512)) >= 0,
    "lgpio starts": _lgpio() is not None,
    "messages": __import__("apprise").Apprise().add("json://127.0.0.1/"),
    "cpuinfo": may(lambda: open("/proc/cpuinfo").close()),
    "sysfs": may(lambda: os.listdir("/sys/bus")),
    "state": may(lambda: pathlib.Path("/var/lib/canister-monitor/look").touch()),
    "runtime": may(lambda: pathlib.Path("/run/canister-monitor/look").touch()),
    "no disk": not may(lambda: open("/dev/kmsg", "wb").close()),
    "no etc": not may(lambda: pathlib.Path("/etc/canister-monitor/look").touch()),
    "no home": not may(lambda: os.listdir("/root")),
    "no root": os.geteuid() != 0 and not may(lambda: os.setuid(0)),
    "no other clock": not may(lambda: __import__("time").clock_settime(0, 1e9)),
}
print("SEEN", [name for name, fine in seen.items() if not fine], len(seen))
"""
        self.tree.write("opt/look.py", looks)
        unit = self.go(f"cat /etc/systemd/system/{UNIT}.service")
        unit = re.sub(r"ExecStart=.*", "ExecStart=/opt/canister-monitor/current/bin/python /opt/look.py", unit)  # fmt: skip
        unit = unit.replace("Type=notify", "Type=oneshot").replace("Restart=always", "Restart=no")
        unit = unit.replace("RuntimeDirectory=canister-monitor", "RuntimeDirectory=canister-monitor\nRuntimeDirectoryPreserve=yes")  # fmt: skip
        self.tree.write("etc/systemd/system/look.service", unit)
        self.go("systemctl daemon-reload; systemctl start look")
        told = self.go("journalctl -u look -o cat | grep SEEN | tail -n 1").strip()
        self.go("rm /etc/systemd/system/look.service /opt/look.py /var/lib/canister-monitor/look; systemctl daemon-reload")  # fmt: skip
        must(told.startswith("SEEN [] "), told)
        return f"{told.split()[-1]} of {told.split()[-1]} as wanted"

    def second(self) -> str:
        told = self.go("canister run", rc=1).strip().splitlines()
        must("another canister run" in told[-1] and "stop it first" in told[-1], told[-1])
        return "refused in one line"

    def denied(self) -> str:
        """A chip that the daemon may not open stands in for a board with a wrong group."""
        probe = SIMULATED.replace('"rig"', '"pins"').replace(
            "pump =", 'probe = { rom_id = "28-00000a1b2c3d" }\npump ='
        )
        self.tree.write(CONFIG, probe)
        self.go(f"touch /dev/gpiochip0; chmod 600 /dev/gpiochip0; systemctl restart {UNIT}; true")
        logged = self.go(f"journalctl -q -u {UNIT} -o cat | grep '^canister:' | tail -n 1")
        found = [json.loads(n) for n in self.tree.run("canister check --json").stdout.splitlines()]
        told = {f["part"]: f"{f['line']}; {f['remedy']}" for f in found if f["verdict"] == "failed"}
        for line in (logged, told["flow sensors"]):
            must("no permission" in line and f"usermod -aG gpio {UNIT}" in line, line)
        must("add dtoverlay=w1-gpio" in told["probe long_tank"], told["probe long_tank"])
        self.go("rm /dev/gpiochip0")
        self.tree.write(CONFIG, SIMULATED)
        self.wait(lambda: self.shown("ActiveState") == "active", 30)
        return "one line each, from log and check"

    def rows(self) -> dict[str, int]:
        count = (
            "import json, sqlite3; link = sqlite3.connect('/"
            + JOURNAL
            + "'); print(json.dumps({t: "
            "link.execute('SELECT COUNT(*) FROM ' + t).fetchone()[0] for t in "
            "('samples', 'events', 'states', 'orders')}))"
        )
        found: dict[str, int] = json.loads(self.go(f'runuser -u {UNIT} -- python3 -c "{count}"'))
        return found

    @staticmethod
    def learned_l_per_h(journal: Path) -> float:
        """Return the clean flow in L/h that was learned last, read without any of our code."""
        link = sqlite3.connect(f"file:{journal}?mode=ro&immutable=1", uri=True)
        bodies = [
            json.loads(row[0]) for row in link.execute("SELECT body FROM events ORDER BY seq")
        ]
        link.close()
        learned = [b["clean_m3_per_s"] for b in bodies if b["event"] == "clean-flow-learned"]
        return float(learned[-1]) * 3.6e6

    def upgrade(self) -> str:
        self.go(f"systemctl stop {UNIT}; rm -f /{JOURNAL}*")
        released = ROOT / f"tests/unit/journal/released/{RELEASED}.sqlite"
        (self.tree.root / JOURNAL).write_bytes(released.read_bytes())
        self.go(f"chown {UNIT}:{UNIT} /{JOURNAL}")
        before = self.rows()
        old = self.go("readlink /opt/canister-monitor/current").strip()
        newer = self.go(f"sed 's/^version = .*/version = \"9.9.9\"/' /{SOURCE}/pyproject.toml")
        self.tree.write(f"{SOURCE}/pyproject.toml", newer)
        self.install()
        must(self.shown("ActiveState") == "active", "it does not run")
        must(self.go("canister --version").split()[-1] == "9.9.9", "the old code runs")
        must(old not in self.go("ls /opt/canister-monitor"), "the old code is still there")
        after = self.rows()
        lost = {t: (n, after[t]) for t, n in before.items() if after[t] < n}
        must(not lost, f"rows lost: {lost}")
        # The order that waited in the journal, "cleaned", is carried out: clean flow stands, and is
        # being learned anew.
        learned = self.learned_l_per_h(released)
        status = json.loads(self.go("canister status --json").splitlines()[0])
        must(abs(status["clean_flow_l_per_h"] - learned) < 0.1, f"{learned} became {status}")
        return f"{sum(before.values())} rows, none lost; clean flow {learned:.0f} L/h too"

    def from_apt(self) -> str:
        """A stand-in for Raspberry Pi OS's package: the same library, packaged in the tree."""
        self.go(
            "set -e; mkdir -p /srv/apt/p/usr/lib/python3/dist-packages /srv/apt/p/DEBIAN; "
            "cd /opt/canister-monitor/current/lib/python3.*/site-packages; "
            "cp -r lgpio.py _lgpio*.so lgpio-*.dist-info /srv/apt/p/usr/lib/python3/dist-packages/; "
            "printf 'Package: python3-lgpio\\nVersion: 0.2.2\\nArchitecture: all\\n"
            "Maintainer: nobody\\nDescription: stand-in\\n' >/srv/apt/p/DEBIAN/control; cd /srv/apt; "
            "dpkg-deb -b p python3-lgpio.deb >/dev/null; rm -rf p; "
            "{ dpkg-deb -f python3-lgpio.deb; echo Filename: ./python3-lgpio.deb; "
            "echo Size: $(stat -c %s python3-lgpio.deb); "
            "echo SHA256: $(sha256sum python3-lgpio.deb | cut -d' ' -f1); } >Packages; "
            "echo 'deb [trusted=yes] file:/srv/apt ./' >/etc/apt/sources.list.d/stand-in.list; "
            "apt-get update -q"
        )
        text = self.install()
        must("the distribution's python3-lgpio" in text, text)
        where = self.go("cd /tmp; /opt/canister-monitor/current/bin/python -c 'import lgpio; print(lgpio.__file__)'")  # fmt: skip
        must(where.startswith("/usr/lib/python3/dist-packages/"), where)
        self.go("rm /etc/apt/sources.list.d/stand-in.list")
        return "the distribution's, seen by the environment"

    def watchdog(self) -> str:
        pid = self.shown("MainPID")
        self.go(f"kill -STOP {pid}")
        took = self.wait(
            lambda: (
                self.shown("MainPID") not in (pid, "0") and self.shown("ActiveState") == "active"
            ),
            HUNG_WITHIN_S,
        )
        return f"runs again after {took:.0f} s"

    def mended(self) -> str:
        self.tree.write(CONFIG, SIMULATED.replace("pump", "pmup"))
        began = int(self.shown("NRestarts"))
        self.go(f"systemctl restart {UNIT}; true")
        self.wait(lambda: int(self.shown("NRestarts")) >= began + FAILURES, 120)
        line = self.go(f"journalctl -q -u {UNIT} -o cat | grep '^canister:' | tail -n 1").strip()
        must("pmup" in line and "pump" in line, line)
        self.tree.write(CONFIG, SIMULATED)
        took = self.wait(lambda: self.shown("ActiveState") == "active", 30)
        return f"one line a start; runs {took:.0f} s after the mending"

    def kept(self) -> str:
        before = self.rows()
        self.go("/opt/canister-monitor/uninstall")
        left = self.files() - self.before
        must(all(UNIT in name for name in left), f"left behind: {sorted(left)[:5]}")
        must(f"/{CONFIG}" in left and f"/{JOURNAL}" in left, "the data is gone")
        must(self.go(f"systemctl is-active {UNIT}; true").strip() == "inactive", "it runs")
        self.install()
        must(self.shown("ActiveState") == "active", "it does not run")
        after = self.rows()
        must(all(after[t] >= n for t, n in before.items()), f"{before} -> {after}")
        return f"{sum(before.values())} rows kept"

    def gone(self) -> str:
        self.go("/opt/canister-monitor/uninstall --delete-data", rc=2, typed="yes\n")
        self.go("/opt/canister-monitor/uninstall --delete-data", typed="delete\n")
        left = self.files() - self.before
        must(not left, f"left behind: {sorted(left)[:5]}")
        must(self.tree.run(f"id {UNIT}").returncode != 0, "the user is still there")
        return "no file of ours is left"


def table(releases: list[str], results: dict[str, list[tuple[str, bool, str]]]) -> str:
    """Return a table in Markdown, a column for each release."""
    lines = ["| step | " + " | ".join(releases) + " |", "|---" * (len(releases) + 1) + "|"]
    longest = max(results.values(), key=len)
    for number, (name, _, _) in enumerate(longest):
        cells = []
        for release in releases:
            found = results[release]
            told = found[number][2] if number < len(found) else "not reached"
            fine = number < len(found) and found[number][1]
            cells.append(told if fine else f"**failed**: {told}")
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def live(release: str, folder: Path) -> list[tuple[str, bool, str]]:
    """Go through all steps until one fails; return what each said."""
    tree = Tree(release, folder)
    life = Life(tree)
    results: list[tuple[str, bool, str]] = []
    try:
        for name, step in life.steps():
            began = time.monotonic()
            try:
                results.append((name, True, step()))
            except (Failed, RuntimeError) as error:
                results.append((name, False, str(error)))
            print(f"{release}: {name}: {results[-1][2]} [{time.monotonic() - began:.0f} s]",
                  file=sys.stderr, flush=True)  # fmt: skip
            if not results[-1][1]:
                break
    finally:
        tree.halt()
    return results


def main() -> int:
    """Prove it on every release asked for; the exit code says whether all steps held."""
    asked = argparse.ArgumentParser(prog="tests/install", description=__doc__.splitlines()[0])
    asked.add_argument("--release", action="append", choices=RELEASES)
    asked.add_argument("--keep", type=Path, metavar="FOLDER", help="leave the trees there")
    options = asked.parse_args()
    releases = options.release or list(RELEASES)
    with tempfile.TemporaryDirectory(prefix="canister-install-") as temporary:
        folder = options.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        results = {release: live(release, folder) for release in releases}
    print(table(releases, results))
    print(NOT_SHOWN)
    return 0 if all(fine for found in results.values() for _, fine, _ in found) else 1


if __name__ == "__main__":
    sys.exit(main())
