"""`canister wiring`: what to connect with what, for the filters of the configuration."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import ConfigOption, JsonOption, json_line, reported

_STDOUT = Path("-")
_FIRST = """\
Board and sensors without power while you wire. Measure the sensor's output before it meets a pin:
deploy/GUIDE.md says how, deploy/SAFETY.md what else to mind. All parts sit at the board's end.
"""


@reported
def wiring(
    filter_name: Annotated[
        str | None, typer.Argument(metavar="[FILTER]", help="Which filter; else all.",
                                   show_default=False)
    ] = None,
    svg: Annotated[
        Path | None,
        typer.Option("--svg", metavar="FILE", show_default=False,
                     help="Write the pictures there as SVG; - for standard output."),
    ] = None,
    probe_pin: Annotated[
        int, typer.Option("--probe-pin", min=0, max=27, metavar="N",
                          help="GPIO pin of the probes' bus, as given to deploy/install.")
    ] = 4,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Draw the wiring of the sensors: header pins, parts and values, and what they come to.

    Example: canister wiring long_tank
    """
    from monitor.errors import UserMistake
    from monitor.settings.load import load
    from monitor.settings.schema import nearest

    tree = load(config).tree
    if filter_name is not None and filter_name not in tree.filters:
        raise UserMistake(f"filter {filter_name}: unknown{nearest(filter_name, tree.filters)}")
    if json and svg == _STDOUT:
        raise UserMistake("--json and --svg - both want standard output; give --svg a file")
    names = list(tree.filters) if filter_name is None else [filter_name]
    sensors = sensors_of(tree)
    wanted = [sensor for sensor in sensors if sensor.filter_id in names]
    probe = probe_pin if any(f.probe is not None for f in tree.filters.values()) else None
    with_probe = probe if any(tree.filters[n].probe is not None for n in names) else None
    if svg is not None:
        _write(svg, sensors, wanted, probe, with_probe)
    if json:
        for sensor in wanted:
            json_line(_fields(sensor, probe))
    elif svg != _STDOUT:
        _say(sensors, wanted, probe, with_probe)


def sensors_of(tree: Any) -> list[Any]:
    """Return the flow sensors of all filters as the wiring room knows them."""
    from monitor.wiring.electrics import highest_rate_hz
    from monitor.wiring.plan import Output, SensorWiring

    return [
        SensorWiring(
            name,
            f.flow_sensor.pin,
            Output(f.flow_sensor.output),
            f.flow_sensor.cable_m,
            highest_rate_hz(f.flow_sensor.max_flow_l_per_h, f.flow_sensor.pulses_per_litre),
        )
        for name, f in tree.filters.items()
    ]


def _sheets(sensors: Any, wanted: Any, probe: int | None, with_probe: int | None) -> list[Any]:
    from monitor.wiring.circuits import header_sheet, probe_sheet, sensor_sheet

    probes = [probe_sheet(with_probe)] if with_probe is not None else []
    return [*(sensor_sheet(s) for s in wanted), *probes, header_sheet(sensors, probe)]


def _say(sensors: Any, wanted: Any, probe: int | None, with_probe: int | None) -> None:
    from monitor.drawing.sheet import as_text
    from monitor.wiring.circuits import described
    from monitor.wiring.plan import warnings

    print(_FIRST)
    for sheet, sensor in zip(
        _sheets(sensors, wanted, probe, with_probe), [*wanted, None, None], strict=False
    ):
        print(f"{sheet.title}\n\n{as_text(sheet)}")
        if sensor is not None:
            for line in described(sensor):
                print(line)
            for line in warnings(sensor, probe):
                print(f"Mind: {line}")
            print()


def _write(svg: Path, sensors: Any, wanted: Any, probe: int | None, with_probe: int | None) -> None:
    """Write the sheets as one picture.

    Raises:
        MachineError: it cannot be written.
    """
    from monitor.drawing.sheet import as_svg
    from monitor.errors import MachineError

    drawn = as_svg(*_sheets(sensors, wanted, probe, with_probe))
    if svg == _STDOUT:
        print(drawn, end="")
        return
    try:
        svg.write_text(drawn, encoding="utf-8")
    except OSError as error:
        raise MachineError(
            f"--svg {svg}: cannot be written: {error.strerror}; choose a folder that this user may "
            "write to, or use --svg - and send the output to a file"
        ) from error


def _fields(sensor: Any, probe: int | None) -> dict[str, Any]:
    import msgspec

    from monitor.wiring.plan import figures, pins, warnings

    signal, ground = pins(sensor)
    found = msgspec.to_builtins(figures(sensor))
    return {
        "filter": sensor.filter_id,
        "gpio": sensor.pin,
        "header": {"signal": signal, "ground": ground},
        "output": str(sensor.output),
        "highest_rate_hz": sensor.rate_hz,
        **{k: float(f"{v:.4g}") if isinstance(v, float) else v for k, v in found.items()},
        "warnings": warnings(sensor, probe),
    }
