"""What the daemon sees of its own house: storage, clock, board, ways out, readers; as facts to judge.

Cheap looks are taken each second; those that touch files or start a program each minute, by a chore
that may be late. A look that fails says nothing, and nothing changes.
"""

from __future__ import annotations

import logging
import shutil
import subprocess
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from monitor.alarms.site import Fact
from monitor.app.plans import broker_address
from monitor.delivery.certificate import shown_certificate
from monitor.delivery.mqtt import BrokerAddress
from monitor.errors import CanisterError
from monitor.records import AlarmKind, Health, Moment
from monitor.runtime.mounts import VOLATILE, file_system
from monitor.sensing.board import SUPPLY
from monitor.sensing.leak import Floor
from monitor.sensing.probe import PROBES
from monitor.settings.model import SettingsTree
from monitor.settings.outward import MqttSettings

_log = logging.getLogger(__name__)
# Below this share of the disk, or this much, it is filling; twice that ends it. Common practice, no
# source.
_LEAST_FREE_SHARE, _LEAST_FREE_BYTES = 0.03, 200e6
# The board throttles itself from 80 °C on (from memory).
_HOT_C, _COOL_C = 80.0, 75.0
_CERTIFICATE_DAYS = 30.0
_OPENSSL_WITHIN_S = 10.0
# The broker's own certificate is looked at so often, and when it could not be seen, again after this.
_BROKER_EVERY_S, _BROKER_AGAIN_S = 86400.0, 3600.0
_THERMAL = Path("/sys/class/thermal/thermal_zone0/temp")

Looks = Mapping[AlarmKind, Fact]


class SelfCheck:
    """Looks after the daemon's own house.

    Args:
        tree: the configuration.
        thermal: the kernel's file with the board's temperature.
        free: gives total and free bytes of the disk that holds a path.
        shown: gives the certificate that a broker shows, DER.
        monotonic: a clock that is never set, in s.
    """

    def __init__(
        self,
        tree: SettingsTree,
        thermal: Path = _THERMAL,
        free: Callable[[Path], tuple[int, int]] | None = None,
        shown: Callable[[BrokerAddress], bytes] = shown_certificate,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._tree = tree
        self._thermal = thermal
        self._free = free if free is not None else _disk
        self._shown = shown
        self._monotonic = monotonic
        self._broker_due_s = float("-inf")
        self._broker_end_s: float | None = None
        self._slow: dict[AlarmKind, Fact] = {}

    def look_slowly(self, now_utc_s: float) -> None:
        """Take the looks that touch files; run by a chore."""
        found: dict[AlarmKind, Fact] = {}
        for kind, look in (
            (AlarmKind.STORAGE_VOLATILE, self._volatile),
            (AlarmKind.DISK_FILLING, self._disk),
            (AlarmKind.BOARD_HOT, self._heat),
            (AlarmKind.CERTIFICATE_ENDING, lambda: self._certificate(now_utc_s)),
        ):
            try:
                fact = look()
            except OSError as error:
                _log.debug("%s cannot be told: %s", kind, error)
                continue
            if fact is not None:
                found[kind] = fact
        self._slow = found  # one move: the safety loop reads it at any time

    def facts(
        self,
        now: Moment,
        readers: Sequence[Health],
        journal: Health,
        refusals: Iterable[Health],
        floor: Floor = Floor.UNKNOWN,
    ) -> Looks:
        """Return everything that is known now.

        Args:
            now: the moment.
            readers, journal: how these parts are.
            refusals: ways out whose other side says no; one that cannot be reached is not among them.
            floor: what the leak contact says, where there is one.
        """
        supply = [h for h in readers if h.part == SUPPLY]
        clock = Fact(not now.synchronised, now.synchronised, "the clock is not synchronised")
        wet = floor is Floor.WET
        leak = {AlarmKind.LEAK: Fact(wet, not wet, f"the leak contact is {floor}")}
        return {
            **self._slow,
            **(leak if floor is not Floor.UNKNOWN else {}),
            AlarmKind.CLOCK_UNSET: clock,
            AlarmKind.READER_DEAD: _of(h for h in readers if h.part not in (SUPPLY, PROBES)),
            AlarmKind.UNDER_VOLTAGE: _of(supply),
            AlarmKind.JOURNAL_FAILING: _of([journal]),
            AlarmKind.DELIVERY_REFUSED: _of(refusals),
        }

    def _folder(self) -> Path:
        folder = Path(self._tree.storage.folder)
        return next((p for p in (folder, *folder.parents) if p.exists()), Path("/"))

    def _volatile(self) -> Fact:
        kind = file_system(self._folder())
        bad = kind in VOLATILE
        return Fact(bad, not bad, f"{self._tree.storage.folder} lies on {kind}")

    def _disk(self) -> Fact:
        total, free = self._free(self._folder())
        least = min(_LEAST_FREE_SHARE * total, _LEAST_FREE_BYTES)
        return Fact(free < least, free > 2 * least, f"{free / 1e6:.0f} MB are free")

    def _heat(self) -> Fact | None:
        try:
            celsius = int(self._thermal.read_text(encoding="ascii")) / 1000.0
        except (OSError, ValueError):
            return None
        return Fact(celsius >= _HOT_C, celsius < _COOL_C, f"the board is at {celsius:.0f} °C")

    def _certificate(self, now_utc_s: float) -> Fact | None:
        mqtt = self._tree.mqtt
        if mqtt is None or not mqtt.tls.enabled:
            return None
        files = (mqtt.tls.cert_file, mqtt.tls.ca_file)
        seen = [(certificate_end_utc_s(Path(file)), file) for file in files if file]
        seen.append((self._of_broker(mqtt), "the broker's certificate"))
        ends = [(end_s, whose) for end_s, whose in seen if end_s is not None]
        if not ends:
            return None
        end_s, whose = min(ends)
        days = (end_s - now_utc_s) / 86400.0
        when = datetime.fromtimestamp(end_s, UTC).date()
        soon = days < _CERTIFICATE_DAYS
        ended = "has ended" if days < 0 else "ends"
        return Fact(soon, not soon, f"{whose} {ended} on {when}")

    def _of_broker(self, mqtt: MqttSettings) -> float | None:
        """Return when the broker's certificate ends, as it was shown last; `None` for never seen."""
        if self._monotonic() < self._broker_due_s:
            return self._broker_end_s
        self._broker_due_s = self._monotonic() + _BROKER_AGAIN_S
        try:
            shown = self._shown(broker_address(mqtt, self._tree.site.id))
        except CanisterError as error:  # told where messages are delivered
            _log.debug("%s", error)
            return self._broker_end_s
        end_s = _end_utc_s(["-inform", "DER"], shown)
        if end_s is not None:
            self._broker_end_s = end_s
            self._broker_due_s += _BROKER_EVERY_S - _BROKER_AGAIN_S
        return self._broker_end_s


def _disk(folder: Path) -> tuple[int, int]:
    usage = shutil.disk_usage(folder)
    return usage.total, usage.free


def _of(parts: Iterable[Health]) -> Fact:
    bad = [f"{h.part}: {h.line}" for h in parts if not h.working]
    return Fact(bool(bad), not bad, "; ".join(bad))


def certificate_end_utc_s(file: Path) -> float | None:
    """Return when the first certificate in a PEM file ends, `None` where that cannot be told.

    It is read by openssl(1), which every board with TLS has, so that no library is kept in memory for
    one look a day.
    """
    return _end_utc_s(["-in", str(file)], b"")


def _end_utc_s(where: list[str], given: bytes) -> float | None:
    try:
        told = subprocess.run(
            ["openssl", "x509", "-noout", "-enddate", "-dateopt", "iso_8601", *where],
            input=given, capture_output=True, timeout=_OPENSSL_WITHIN_S, check=False,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired):
        return None
    _, _, text = told.stdout.decode(errors="replace").strip().partition("=")
    try:
        return datetime.strptime(text, "%Y-%m-%d %H:%M:%SZ").replace(tzinfo=UTC).timestamp()
    except ValueError:
        return None
