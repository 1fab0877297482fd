"""`canister calibrate`: the bucket test for pulses per litre."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.commands.common import ConfigOption, JsonOption, console, json_line, reported

_STEPS = """\
Bucket test for the flow sensor of {name}. Best with two: one at the tap, one with dry hands here.
1. Switch off and unplug the filter, with dry hands, and shut its outlet tap. The empty bucket stands on
   a scale where a spill meets no socket; set the scale to zero.
2. Lead the outlet hose into the bucket. The tank is higher than the bucket: water runs by siphon even
   while the filter is unplugged. It is stopped by the outlet tap, or by lifting the hose's end above the
   tank's water level, never by the plug alone. Do not leave it.
3. Plug in with dry hands, open the tap, let 5 to 10 L run, shut the tap, unplug. Note the mass and the
   pulses counted meanwhile. Give the water back to the tank. Do it three times or more.
"""


@reported
def calibrate(
    filter_name: Annotated[
        str | None,
        typer.Argument(metavar="[FILTER]", help="Which filter's sensor.", show_default=False),
    ] = None,
    bucket: Annotated[
        list[str] | None,
        typer.Option(
            "--bucket", metavar="KG:PULSES", show_default=False,
            help="A bucket already weighed, such as 9.000:4100; may be given again. Without any, "
            "the test is led through step by step.",
        ),
    ] = None,
    temperature: Annotated[
        float | None,
        typer.Option("--temperature", min=0, max=40, help="Of the water, °C; else the tank's usual.",
                     show_default=False),
    ] = None,
    scale_error: Annotated[
        float, typer.Option("--scale-error", min=0, max=5000, help="The scale may be off by this, g.")
    ] = 10.0,
    scale_step: Annotated[
        float, typer.Option("--scale-step", min=0, max=1000, help="The scale's step, g.")
    ] = 5.0,
    config: ConfigOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Calibrate a flow sensor with a bucket and a scale: pulses per litre and its uncertainty.

    Example: canister calibrate long_tank --bucket 9.000:4100 --bucket 8.950:4071
    """
    from monitor.commands.orders import chosen
    from monitor.settings.load import load
    from monitor.sizing.bucket import Scale, k_factor

    tree = load(config).tree
    name = chosen(filter_name, tree)
    tank = tree.filters[name].tank
    catches = [parsed(text) for text in bucket] if bucket else _led(tree, name)
    warmth = temperature if temperature is not None else tank.temperature_c.value
    found = k_factor(
        catches, warmth, tank.salinity_g_per_kg.value, Scale(scale_error / 1000, scale_step / 1000)
    )
    before = tree.filters[name].flow_sensor.pulses_per_litre
    if json:
        json_line(
            {
                "filter": name,
                "pulses_per_litre": round(found.pulses_per_litre, 2),
                "expanded_uncertainty": round(found.expanded, 5),
                "each": [round(k, 2) for k in found.each],
                "budget": found.budget,
                "configured": before,
                "remarks": found.remarks,
            }
        )
    else:
        _show(found, name, before)


def parsed(text: str) -> Any:
    """Return the bucket that `KG:PULSES` means.

    Raises:
        UserMistake: it is not of that form.
    """
    from monitor.errors import UserMistake
    from monitor.sizing.bucket import Catch

    mass, _, pulses = text.partition(":")
    try:
        return Catch(float(mass), int(pulses))
    except ValueError:
        raise UserMistake(
            f"--bucket {text}: expected kilograms and pulses, such as 9.000:4100"
        ) from None


def _led(tree: Any, name: str) -> list[Any]:
    """Lead through the test; pulses are counted from the pin where it is free, else asked for."""
    from monitor.sizing.bucket import Catch

    print(_STEPS.format(name=tree.filters[name].name or name))
    catches: list[Catch] = []
    source = _pins(tree, name)
    try:
        while True:
            number = len(catches) + 1
            pulses = _counted(source, number) if source is not None else None
            if pulses is None:
                pulses = typer.prompt(f"Bucket {number}: pulses counted", type=int)
            mass = typer.prompt(f"Bucket {number}: mass of the water, kg", type=float)
            catches.append(Catch(mass, pulses))
            if not typer.confirm("Another bucket?", default=len(catches) < 3):
                return catches
    finally:
        if source is not None:
            source.close()


def _pins(tree: Any, name: str) -> Any:
    """The sensor's pin, if it can be had: not while the daemon holds it, not off the board."""
    from monitor.errors import SensorError
    from monitor.runtime.lock import running_process
    from monitor.sensing.gpio import PulsePins

    if running_process(Path(tree.storage.folder)) is not None:
        print("canister run holds the sensor: stop it and start again to have the pulses counted.")
        return None
    sensor = tree.filters[name].flow_sensor
    rate_hz = sensor.max_flow_l_per_h * sensor.pulses_per_litre / 3600
    source = PulsePins({name: (sensor.pin, rate_hz)})
    try:
        source.start()
    except SensorError as error:
        print(f"The pulses cannot be counted here ({error}); count them yourself and type them in.")
        return None
    return source


def _counted(source: Any, number: int) -> int:
    from monitor.records import Moment, PulseReading

    typer.prompt(
        f"Bucket {number}: press Enter as the water starts", default="", show_default=False
    )
    source.read(Moment(time.monotonic(), 0.0))
    typer.prompt("... and again when it has stopped", default="", show_default=False)
    readings = source.read(Moment(time.monotonic(), 0.0))
    pulses = sum(r.pulses for r in readings if isinstance(r, PulseReading))
    print(f"{pulses} pulses")
    return pulses


def _show(found: Any, name: str, before: float) -> None:
    from rich.table import Table

    out = console()
    out.print(
        f"[bold]{found.pulses_per_litre:.1f} pulses per litre[/bold], ±{found.expanded:.2%} (k = 2); "
        f"configured is {before:g}"
    )
    out.print("Each bucket: " + ", ".join(f"{k:.1f}" for k in found.each))
    table = Table("source of uncertainty", "standard uncertainty", box=None, pad_edge=False)
    for row in found.budget:
        table.add_row(row.source, f"{row.share:.3%}")
    out.print(table)
    for remark in found.remarks:
        out.print(f"• {remark}")
    out.print(
        f"To use it: filters.{name}.flow_sensor.pulses_per_litre = {found.pulses_per_litre:.1f}"
    )
