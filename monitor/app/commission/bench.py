"""What the walk counts and warms: the board's pins and probes, or the rig for a rehearsal.

On the board a count takes its time. The rig's time is its own: a rehearsal does not wait.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from monitor.app.sources import live_sources
from monitor.errors import SensorError
from monitor.records import Moment, PulseReading, TemperatureReading
from monitor.runtime.lock import running_process
from monitor.settings.model import SettingsTree, SourceKind
from monitor.units import LITRES_PER_M3

if TYPE_CHECKING:
    from monitor.sensing.port import Source
    from monitor.sensing.rig import Rig

_ONE_WIRE = Path("/sys/bus/w1/devices")
_FIRST_ANSWER_S = 10
_BUCKET_S = 45.0  # how long the rig's tap stands open
_HAND_C = 31.0  # of a probe held for a minute (invented)
_SHOWN_KG_PER_L = 0.996  # of water at 25 °C weighed in air, see sizing/bucket.py; rounded

Temperatures = dict[str, float]


class Bench(Protocol):
    """What a step of the walk can measure of the filters."""

    simulated: bool

    def plug(self, name: str, on: bool) -> None:
        """The person has plugged the pump of a filter in or out."""

    def count(self, name: str, seconds: int) -> list[PulseReading]:
        """Count the pulses of a filter, a reading a second.

        Raises:
            SensorError: the pin cannot be used.
        """

    def start_bucket(self, name: str) -> None:
        """The tap is opened.

        Raises:
            SensorError: the pin cannot be used.
        """

    def stop_bucket(self, name: str) -> tuple[int, float | None]:
        """The tap is shut: return the pulses since, and what a simulated scale shows in kg."""

    def probes(self) -> tuple[str, ...]:
        """Return the ROM ids on the bus."""

    def warm(self, name: str, seconds: int) -> tuple[Temperatures, Temperatures]:
        """Watch all probes while the one of a filter is held; return °C before and after.

        Raises:
            SensorError: the probes cannot be read.
        """

    def close(self) -> None:
        """Let go of everything."""


def bench_for(tree: SettingsTree) -> Bench:
    """Return the bench that a configuration asks for.

    Raises:
        SettingsError: the rig is asked for and a filter has no pump to simulate.
    """
    return RigBench(tree) if tree.site.source is SourceKind.RIG else BoardBench(tree)


class BoardBench:
    """The real pins and probes; each is held only while it is counted."""

    simulated = False

    def __init__(
        self,
        tree: SettingsTree,
        sleep: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
        one_wire: Path = _ONE_WIRE,
    ) -> None:
        self._tree = tree
        self._sleep, self._clock = sleep, clock
        self._one_wire = one_wire
        self._open: Source | None = None

    def plug(self, name: str, on: bool) -> None:
        """A person's hand did it."""

    def count(self, name: str, seconds: int) -> list[PulseReading]:
        """Count for so many seconds of real time."""
        self._start(name)
        try:
            found = []
            for _ in range(seconds):
                self._sleep(1.0)
                found += self._pulses()
            return found
        finally:
            self.close()

    def start_bucket(self, name: str) -> None:
        """Count from now on."""
        self._start(name)

    def stop_bucket(self, name: str) -> tuple[int, float | None]:
        """Return what was counted since."""
        pulses = sum(r.pulses for r in self._pulses())
        self.close()
        return pulses, None

    def probes(self) -> tuple[str, ...]:
        """Return what the kernel shows on the bus."""
        return tuple(sorted(p.name for p in self._one_wire.glob("28-*")))

    def warm(self, name: str, seconds: int) -> tuple[Temperatures, Temperatures]:
        """Read all probes on the bus for so many seconds after their first answer."""
        from monitor.sensing.probe import Probes

        source = Probes({rom_id: rom_id for rom_id in self.probes()}, self._one_wire)
        source.start()
        before: Temperatures = {}
        after: Temperatures = {}
        try:
            for second in range(_FIRST_ANSWER_S + seconds):
                self._sleep(1.0)
                for reading in source.read(self._now()):
                    if not isinstance(reading, TemperatureReading):
                        continue
                    if reading.temperature_c is None:
                        after.pop(reading.filter_id, None)
                    else:
                        after[reading.filter_id] = reading.temperature_c
                        if second < _FIRST_ANSWER_S:
                            before.setdefault(reading.filter_id, reading.temperature_c)
        finally:
            source.close()
        return before, after

    def close(self) -> None:
        """Give the pin back."""
        if self._open is not None:
            self._open.close()
            self._open = None

    def _start(self, name: str) -> None:
        from monitor.sensing.gpio import PulsePins

        if running_process(Path(self._tree.storage.folder)) is not None:
            raise SensorError(
                "canister run holds the sensor; stop it with `sudo systemctl stop canister-monitor`, "
                "then do it again"
            )
        sensor = self._tree.filters[name].flow_sensor
        highest_hz = sensor.max_flow_l_per_h * sensor.pulses_per_litre / 3600
        self._open = PulsePins({name: (sensor.pin, highest_hz)})
        self._open.start()
        self._open.read(self._now())

    def _pulses(self) -> list[PulseReading]:
        found = self._open.read(self._now()) if self._open is not None else ()
        return [r for r in found if isinstance(r, PulseReading)]

    def _now(self) -> Moment:
        return Moment(self._clock(), 0.0)


class RigBench:
    """The simulated filters; what a person says to have done, the rig does."""

    simulated = True

    def __init__(self, tree: SettingsTree) -> None:
        self._rigs: dict[str, Rig] = dict(zip(tree.filters, live_sources(tree), strict=True))  # type: ignore[arg-type]
        self._line_s = dict.fromkeys(self._rigs, 0.0)
        self._ids = {
            name: probe.rom_id
            for name, settings in tree.filters.items()
            if (probe := settings.probe) is not None
        }
        for rig in self._rigs.values():
            rig.read(Moment(0.0, 0.0))

    def plug(self, name: str, on: bool) -> None:
        """Switch the simulated pump."""
        self._rigs[name].plug(on)

    def count(self, name: str, seconds: int) -> list[PulseReading]:
        """Let so many simulated seconds pass."""
        found = [reading for _ in range(seconds) for reading in self._pass(name, 1.0)]
        return [r for r in found if isinstance(r, PulseReading)]

    def start_bucket(self, name: str) -> None:
        """Nothing passes until the tap is shut."""

    def stop_bucket(self, name: str) -> tuple[int, float | None]:
        """Return the pulses of three quarters of a minute, and what the water of it weighs."""
        pulses = sum(r.pulses for r in self.count(name, round(_BUCKET_S)))
        litres = self._rigs[name].clean_m3_per_s * _BUCKET_S * LITRES_PER_M3
        return pulses, round(litres * _SHOWN_KG_PER_L, 2)

    def probes(self) -> tuple[str, ...]:
        """Return the ids that the configuration gives them."""
        return tuple(sorted(self._ids.values()))

    def warm(self, name: str, seconds: int) -> tuple[Temperatures, Temperatures]:
        """Warm the probe of one filter; the others stay as they are."""
        before, after = self._look(2.0), self._look(float(seconds))
        held = self._ids.get(name)
        if held in after:
            after[held] = max(after[held], _HAND_C)
        return before, after

    def close(self) -> None:
        """Nothing to let go of."""

    def _look(self, seconds: float) -> Temperatures:
        return {
            self._ids[name]: reading.temperature_c
            for name in self._ids
            for reading in self._pass(name, seconds)
            if isinstance(reading, TemperatureReading) and reading.temperature_c is not None
        }

    def _pass(self, name: str, seconds: float) -> tuple[object, ...]:
        self._line_s[name] += seconds
        return self._rigs[name].read(Moment(self._line_s[name], self._line_s[name]))


def taken_probes(ids: Mapping[str, str], but: str) -> dict[str, str]:
    """Return the filter by ROM id, of all filters but one."""
    return {rom_id: name for name, rom_id in ids.items() if name != but}
