"""Builds the sources that the configuration asks for."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from monitor.errors import SettingsError, UserMistake
from monitor.sensing.faults import Fault, parse_fault
from monitor.sensing.port import Source

if TYPE_CHECKING:  # the rig brings the sizing model, which the daemon on the board does not need
    from monitor.sensing.rig import RigPlan
from monitor.settings.model import SettingsTree, SourceKind
from monitor.units import LITRES_PER_M3


def live_sources(tree: SettingsTree) -> list[Source]:
    """Return the sources for `canister run`.

    Raises:
        SettingsError: the rig is asked for and a filter has no pump to simulate.
    """
    if tree.site.source is SourceKind.RIG:
        from monitor.sensing.rig import Rig

        return [
            Rig(
                rig_plan(
                    name,
                    tree,
                    seed=tree.rig.seed + index,
                    start_utc_s=time.time(),
                    faults=asked_faults(tree) if index == 0 else (),
                )
            )
            for index, name in enumerate(tree.filters)
        ]
    from monitor.sensing.board import Board
    from monitor.sensing.gpio import Header, PulsePins
    from monitor.sensing.probe import Probes

    pins = {
        name: (
            settings.flow_sensor.pin,
            settings.flow_sensor.max_flow_l_per_h * settings.flow_sensor.pulses_per_litre / 3600,
        )
        for name, settings in tree.filters.items()
    }
    rom_ids = {
        name: settings.probe.rom_id
        for name, settings in tree.filters.items()
        if settings.probe is not None
    }
    header = Header()
    sources: list[Source] = [PulsePins(pins, header=header), Board()]
    if tree.leak is not None:
        from monitor.sensing.leak import LeakContact

        leak = tree.leak
        sources.append(LeakContact(leak.pin, leak.wet_when == "closed", leak.hold_s, header))
    if rom_ids:
        sources.append(Probes(rom_ids))
    return sources


def asked_faults(tree: SettingsTree) -> tuple[Fault, ...]:
    """Return the faults that the configuration asks the rig for.

    Raises:
        SettingsError: one line for each that cannot be read.
    """
    found, problems = [], []
    for text in tree.rig.faults:
        try:
            found.append(parse_fault(text))
        except UserMistake as error:
            problems.append(f"rig.faults: {error}")
    if problems:
        raise SettingsError(problems)
    return tuple(found)


def rig_plan(
    name: str,
    tree: SettingsTree,
    seed: int,
    start_utc_s: float,
    days: float = 40.0,
    faults: tuple[Fault, ...] = (),
    coarse_s: float = 60.0,
) -> RigPlan:
    """Return the rig that a filter's settings describe.

    Raises:
        SettingsError: the filter has no pump to simulate.
        SizingError: the described filter cannot move water.
    """
    from monitor.sensing.rig import RigPlan, Surroundings
    from monitor.settings.convert import installation

    settings = tree.filters[name]
    if settings.pump is None:
        raise SettingsError([f"filters.{name}.pump: the rig needs a pump to simulate; describe it"])
    tank = settings.tank
    return RigPlan(
        filter_id=name,
        circuit=installation(name, settings, tree.materials).circuit,
        pulses_per_m3=settings.flow_sensor.pulses_per_litre * LITRES_PER_M3,
        seed=seed,
        days=days,
        faults=faults,
        coarse_s=coarse_s,
        start_utc_s=start_utc_s,
        has_probe=settings.probe is not None,
        surroundings=Surroundings(
            tank_m3=(tank.volume_l.value if tank.volume_l is not None else 180.0) / LITRES_PER_M3,
            set_point_c=tank.temperature_c.value,
        ),
    )
