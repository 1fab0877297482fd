"""Resident memory of the daemon at rest: one filter, real broker, pins stood in for by mocks."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.figure import Figure
from tests.conftest import Mosquitto

TARGET_MB = 60.0
REST_S = 20.0

_DAEMON = """
import sys
from pathlib import Path
from gpiozero.pins.mock import MockFactory
from monitor.app.daemon import Daemon
from monitor.app.prediction import predicted_by_child
from monitor.commands.run import log_to_standard_error
from monitor.sensing.gpio import PulsePins
from monitor.settings.load import load
import monitor.cli
try:
    import lgpio  # the real daemon has it loaded
except ImportError:
    pass
log_to_standard_error()
file = Path(sys.argv[1])
tree = load(file, sound=False).tree
Daemon(tree, predicted_by_child(file), [PulsePins({"left": (17, 225.0)}, MockFactory())]).run()
"""


def measure() -> list[Figure]:
    """Start the daemon, let it rest, read its resident memory from the kernel."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder)
        broker.start()
        file = folder / "canister.toml"
        file.write_text(
            f"""
[site]
id = "bench"
[storage]
folder = "{folder}/state"
live_file = "{folder}/live.json"
[mqtt]
host = "127.0.0.1"
port = {broker.port}
[filters.left]
flow_sensor = {{ pin = 17 }}
pump = {{ rated_flow_l_per_h = 1000, max_head_m = 1.5 }}
""",
            encoding="utf-8",
        )
        bare = _resident([sys.executable, "-c", "import time; time.sleep(60)"], folder, 1.0)
        ours = _resident([sys.executable, "-c", _DAEMON, str(file)], folder, REST_S)
        broker.kill()
    return [
        Figure(
            "daemon's memory at rest",
            f"{ours:.1f} MB",
            f"{bare:.1f} MB (bare interpreter)",
            f"{ours / bare:.1f}",
            f"{TARGET_MB:.0f} MB",
            ours <= TARGET_MB,
        )
    ]


def _resident(command: list[str], folder: Path, after_s: float) -> float:
    with (folder / "log").open("ab") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log, cwd=folder, env=_environment())
    time.sleep(after_s)
    status = Path(f"/proc/{process.pid}/status").read_text(encoding="ascii")
    process.terminate()
    process.wait(20)
    line = next(x for x in status.splitlines() if x.startswith("VmRSS"))
    return int(line.split()[1]) / 1000 * 1.024


def _environment() -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
