"""Imports point one way, and the pure rooms know no clock, file, thread, log or network."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

MONITOR = Path(__file__).resolve().parents[2] / "monitor"

# What a room may import of ours. `app` and what stands above it may import everything below.
GROUND = {"records", "units", "errors"}
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "units": set(),
    "records": set(),
    "access": set(),
    "sizing": GROUND,
    "condition": GROUND | {"sizing"},
    "drawing": set(),
    "wiring": GROUND | {"drawing"},
    "alarms": GROUND | {"sizing", "condition"},
    "reporting": GROUND | {"drawing", "condition", "alarms"},
    "settings": GROUND | {"sizing"},
    "sensing": GROUND | {"sizing", "condition", "alarms"},
    "journal": GROUND | {"condition", "alarms"},
    "delivery": GROUND | {"access", "condition", "alarms"},
    "runtime": GROUND,
    "page": GROUND | {"condition", "alarms", "fleet"},
    "fleet": GROUND,
    "hub": GROUND | {"access", "fleet"},
    "app": GROUND
    | {"sizing", "condition", "alarms", "settings", "sensing", "journal", "delivery", "runtime"}
    | {"access", "fleet", "hub", "page", "reporting"},
    "commands": GROUND
    | {
        "drawing",
        "wiring",
        "reporting",
        "sizing",
        "condition",
        "alarms",
        "settings",
        "sensing",
        "journal",
        "delivery",
        "runtime",
        "fleet",
        "page",
        "app",
    },
    "cli": {"commands"},
    "__main__": {"cli"},
    "__init__": set(),
}
PURE = (
    "sizing",
    "condition",
    "alarms",
    "fleet",
    "drawing",
    "wiring",
    "reporting",
    "records.py",
    "units.py",
    "errors.py",
    "access.py",
)
# A pure room computes; these are the standard library's ways out of it.
IMPURE = {
    "asyncio", "datetime", "io", "logging", "multiprocessing", "os", "pathlib", "queue", "random",
    "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess", "sys", "tempfile", "threading",
    "time", "urllib",
}  # fmt: skip
THIRD_PARTY_IN_PURE = {"msgspec", "fluids", "numpy"}


def room(file: Path) -> str:
    return file.relative_to(MONITOR).parts[0].removesuffix(".py")


def imported(file: Path) -> set[str]:
    """Every module a file imports, wherever in it the import stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: relative import; write the whole name"
            module = node.module or ""
            # `from monitor import x` may mean the room x
            found |= {f"monitor.{a.name}" for a in node.names} if module == "monitor" else {module}
    return found


FILES = sorted(MONITOR.rglob("*.py"))


@pytest.mark.parametrize("file", FILES, ids=lambda f: str(f.relative_to(MONITOR)))
def test_imports_point_one_way(file: Path) -> None:
    own = room(file)
    rooms = {name.split(".")[1] for name in imported(file) if name.startswith("monitor.")}
    rooms -= {own, "__version__"}
    assert rooms <= ALLOWED[own], f"{file}: imports {rooms - ALLOWED[own]}"


# Of the page only these know files, threads, secrets or HTTP; what it shows and says is computed.
PAGE_REACHES_OUT = {
    "board.py",
    "server.py",
    "serving.py",
    "password.py",
    "session.py",
    "requests.py",
}
PURE_FILES = [
    f
    for f in FILES
    if f.relative_to(MONITOR).parts[0] in PURE
    or ("page" in f.relative_to(MONITOR).parts[:-1] and f.name not in PAGE_REACHES_OUT)
]


@pytest.mark.parametrize("file", PURE_FILES, ids=lambda f: str(f.relative_to(MONITOR)))
def test_pure_rooms_reach_for_nothing(file: Path) -> None:
    top = {name.split(".")[0] for name in imported(file)}
    assert not top & IMPURE, f"{file}: {top & IMPURE}"
    standard = {
        "__future__", "collections", "enum", "functools", "html", "itertools", "math", "re", "statistics", "typing",
        "xml",
    }  # fmt: skip
    assert top - standard - {"monitor"} <= THIRD_PARTY_IN_PURE
    tree = ast.parse(file.read_text(encoding="utf-8"))
    called = {n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}  # fmt: skip
    assert not called & {"open", "print", "input", "exec", "eval"}


def test_every_room_is_known() -> None:
    assert {room(f) for f in FILES} == set(ALLOWED)


def test_the_daemon_does_not_load_what_its_board_does_not_need() -> None:
    """The sizing library stays out of the long-lived process (see monitor/app/prediction.py)."""
    import subprocess
    import sys

    script = (
        "import sys, monitor.app.daemon, monitor.settings.load, monitor.cli\n"
        "print([m for m in ('fluids', 'numpy', 'rich', 'influxdb_client') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
