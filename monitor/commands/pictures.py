"""Writes the guide's pictures from `deploy/examples/wiring.toml`, by the code of `canister wiring`.

`python -m monitor.commands.pictures deploy/pictures`; a test holds the folder to it.
"""

from __future__ import annotations

import sys
from pathlib import Path

from monitor.commands.wiring import sensors_of
from monitor.drawing.scene import scene
from monitor.drawing.sheet import as_svg
from monitor.settings.load import load
from monitor.wiring.circuits import header_sheet, probe_sheet, sensor_sheet

EXAMPLE = Path(__file__).resolve().parents[2] / "deploy" / "examples" / "wiring.toml"
PROBE_PIN = 4


def pictures() -> dict[str, str]:
    """Return the text of each picture by its file name."""
    sensors = sensors_of(load(EXAMPLE).tree)
    by_name = {sensor.filter_id: as_svg(sensor_sheet(sensor)) for sensor in sensors}
    return {
        "where-things-stand.svg": scene(),
        "open-collector.svg": by_name["left"],
        "driven-5v.svg": by_name["middle"],
        "opto-coupler.svg": by_name["far"],
        "probe.svg": as_svg(probe_sheet(PROBE_PIN)),
        "header.svg": as_svg(header_sheet(sensors, PROBE_PIN)),
    }


if __name__ == "__main__":
    for name, drawn in pictures().items():
        (Path(sys.argv[1]) / name).write_text(drawn, encoding="utf-8")
