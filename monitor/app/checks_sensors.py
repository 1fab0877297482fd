"""What `canister check` looks at: the sensors, their pins and the probes' bus."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from monitor.app.finding import Finding, Verdict
from monitor.app.sources import asked_faults
from monitor.errors import CanisterError, SettingsError
from monitor.runtime.lock import running_process
from monitor.sensing.board import ONE_WIRE_PIN, one_wire_pin, overlay_remedy
from monitor.sensing.probe import decode
from monitor.settings.model import SettingsTree, SourceKind

_ONE_WIRE = Path("/sys/bus/w1/devices")


def sensors(tree: SettingsTree) -> Iterator[Finding]:
    """Yield every finding about the sensors."""
    if tree.site.source is SourceKind.RIG:
        try:
            asked_faults(tree)
        except SettingsError as error:
            for problem in error.problems:
                yield Finding("rig", Verdict.FAILED, problem, "correct it", True)
        yield Finding(
            "sensors",
            Verdict.LOOK,
            "simulated: no real water is watched",
            'set site.source = "pins" for real sensors',
        )
        return
    yield from _on_the_probes_pin(tree)
    yield _pins(tree)
    for name, settings in tree.filters.items():
        if settings.probe is not None:
            yield _probe(name, settings.probe.rom_id)


def _on_the_probes_pin(tree: SettingsTree) -> Iterator[Finding]:
    """A pin that the 1-Wire bus has, or will have once it is switched on."""
    pin = one_wire_pin()
    if pin is None and any(f.probe is not None for f in tree.filters.values()):
        pin = ONE_WIRE_PIN
    keys = {f"filters.{n}.flow_sensor.pin": f.flow_sensor.pin for n, f in tree.filters.items()}
    if tree.leak is not None:
        keys["leak.pin"] = tree.leak.pin
    for key, number in keys.items():
        if number == pin:
            yield Finding(
                "pins",
                Verdict.FAILED,
                f"{key}: GPIO{number} is the pin of the probes' 1-Wire bus",
                f"wire it to another pin and name that in {key}, or move the bus: sudo deploy/install "
                "--probe-pin N",
                True,
            )


def _pins(tree: SettingsTree) -> Finding:
    from monitor.sensing.gpio import header_factory, held_by_others

    if running_process(Path(tree.storage.folder)) is not None:
        return Finding("flow sensors", Verdict.FINE, "held by the running daemon")
    pins = {settings.flow_sensor.pin: name for name, settings in tree.filters.items()}
    if tree.leak is not None:
        pins[tree.leak.pin] = "the leak contact"
    try:
        header_factory().close()
        held = held_by_others(tuple(pins))
    except CanisterError as error:
        line, _, remedy = str(error).partition("; ")
        return Finding("flow sensors", Verdict.FAILED, line, remedy)
    if held:
        found = ", ".join(f"GPIO{n} of {pins[n]} by {who}" for n, who in held.items())
        return Finding(
            "flow sensors",
            Verdict.FAILED,
            f"another program holds {found}",
            "stop it, a second canister run too (systemctl status canister-monitor), or wire and "
            "name another pin",
        )
    return Finding("flow sensors", Verdict.FINE, "the GPIO chip of the header can be opened")


def _probe(name: str, rom_id: str) -> Finding:
    part = f"probe {name}"
    if not _ONE_WIRE.is_dir():
        return Finding(
            part,
            Verdict.FAILED,
            "no 1-Wire bus on this machine",
            overlay_remedy(),
        )
    file = _ONE_WIRE / rom_id / "w1_slave"
    try:
        lines = file.read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        there = ", ".join(sorted(p.name for p in _ONE_WIRE.glob("28-*"))) or "none"
        if there == "none" and any(_ONE_WIRE.glob("00-*")):
            return Finding(
                part,
                Verdict.FAILED,
                "the 1-Wire bus shows only addresses of noise (00-...)",  # common practice, no source
                "fit the pull-up of 4.7 kΩ from the data wire to 3.3 V, look at the probe's cable",
            )
        return Finding(
            part,
            Verdict.FAILED,
            f"{rom_id} does not answer; probes that do: {there}",
            f"look at its cable, or correct filters.{name}.probe.rom_id",
        )
    reading = decode(lines, None, 0.0)
    if reading.temperature_c is None:
        return Finding(
            part, Verdict.FAILED, f"{rom_id}: {reading.quality}", "look at its cable and its supply"
        )
    return Finding(part, Verdict.FINE, f"{rom_id}: {reading.temperature_c:.1f} °C")
