"""What `canister check` looks at: configuration, storage, clock, supply, sensors, broker.

Each finding is one line with a remedy. Nothing is changed; a running daemon is not disturbed.
"""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import msgspec

from monitor.app.checks_sensors import sensors
from monitor.app.finding import Finding, Verdict
from monitor.app.plans import broker_address, watch_plans
from monitor.delivery.mqtt import BrokerAddress, Message, Session
from monitor.errors import CanisterError, MachineError, SettingsError
from monitor.journal.file import FILE_NAME
from monitor.journal.store import Journal
from monitor.runtime.clock import kernel_synchronised
from monitor.runtime.lock import running_process
from monitor.runtime.mounts import VOLATILE, file_system
from monitor.sensing.board import SUPPLY_REMEDY, UNDER_VOLTAGE, under_voltage
from monitor.settings.model import SettingsTree
from monitor.settings.outward import MqttSettings
from monitor.units import l_per_h

_LEAST_FREE_MB = 200


def findings(tree: SettingsTree, file: Path) -> Iterator[Finding]:
    """Yield every finding about a configuration that could be read."""
    yield Finding("configuration", Verdict.FINE, f"{file}: {len(tree.filters)} filters described")
    looks: list[Callable[[], Iterator[Finding]]] = [
        lambda: _file_modes(tree, file),
        lambda: _predictions(tree),
        lambda: _storage(tree),
        lambda: _clock(),
        lambda: _supply(),
        lambda: sensors(tree),
        lambda: _broker(tree),
        lambda: _people(tree),
        lambda: _history(tree),
    ]
    for look in looks:
        yield from look()


def _file_modes(tree: SettingsTree, file: Path) -> Iterator[Finding]:
    mqtt = tree.mqtt
    secret = [Path(mqtt.password_file)] if mqtt is not None and mqtt.password_file else []
    if (mqtt is not None and mqtt.password is not None) or tree.signs.ping_url is not None:
        secret.append(file)
    secret += [Path(f) for f in (tree.notify.addresses_file, tree.notify.second_file) if f]
    secret += [Path(tree.influx.token_file)] if tree.influx.token_file else []
    for path in secret:
        try:
            mode = path.stat().st_mode
        except OSError:
            continue  # told where it is read
        if mode & (stat.S_IRGRP | stat.S_IROTH) & ~stat.S_IRGRP:
            yield Finding(
                "secrets",
                Verdict.LOOK,
                f"{path} can be read by everybody on this machine",
                f"chmod o-r {path}",
            )


def _predictions(tree: SettingsTree) -> Iterator[Finding]:
    for name, plan in watch_plans(tree).items():
        predicted = plan.condition.predicted_m3_per_s
        if predicted is None:
            yield Finding(
                f"clean flow {name}",
                Verdict.LOOK,
                "the pump is not described: until clean flow is learned a stop cannot be seen",
                f"describe filters.{name}.pump",
            )
            continue
        limit = plan.condition.sensor.max_flow_m3_per_s
        if predicted > limit:
            yield Finding(
                f"clean flow {name}",
                Verdict.FAILED,
                f"predicted {l_per_h(predicted):.0f} L/h is beyond the sensor's "
                f"{l_per_h(limit):.0f} L/h",
                "choose a larger sensor, or correct flow_sensor.max_flow_l_per_h",
                True,
            )
        else:
            yield Finding(
                f"clean flow {name}", Verdict.FINE, f"predicted {l_per_h(predicted):.0f} L/h"
            )


def _storage(tree: SettingsTree) -> Iterator[Finding]:
    folder = Path(tree.storage.folder)
    existing = next((p for p in (folder, *folder.parents) if p.exists()), Path("/"))
    kind = file_system(existing)
    if kind in VOLATILE:
        yield Finding(
            "storage",
            Verdict.FAILED,
            f"{folder} lies on {kind}: everything is lost at the next power cut",
            "set storage.folder to a folder on a real disk",
            True,
        )
    free_mb = shutil.disk_usage(existing).free / 1e6
    if free_mb < _LEAST_FREE_MB:
        yield Finding(
            "storage", Verdict.LOOK, f"only {free_mb:.0f} MB free at {existing}", "free some space"
        )
    if (folder / FILE_NAME).exists():
        yield from _journal(tree, folder)
    elif os.access(existing, os.W_OK):
        yield Finding("journal", Verdict.FINE, f"{folder}: will be made at the first run")
    else:
        yield Finding(
            "journal",
            Verdict.FAILED,
            f"{existing} cannot be written by this user",
            f"make {folder}, owned by the user that runs canister",
        )


def _journal(tree: SettingsTree, folder: Path) -> Iterator[Finding]:
    try:
        journal = Journal(folder, mend=False)
        waiting = journal.undelivered("mqtt") if tree.mqtt is not None else 0
        counts, aside = journal.counts(), journal.aside()
        journal.close()
    except MachineError as error:
        yield Finding("journal", Verdict.FAILED, str(error))
        return
    process = running_process(folder)
    doing = f"canister run is running (process {process})" if process is not None else "no daemon"
    yield Finding("journal", Verdict.FINE, f"{folder / FILE_NAME}: sound; {doing}")
    yield from _left_behind(tree, counts, aside, waiting)


def _left_behind(
    tree: SettingsTree,
    counts: Mapping[str, int],
    aside: Sequence[tuple[str, int, str]],
    waiting: int,
) -> Iterator[Finding]:
    """What was dropped, set aside or is not delivered yet."""
    if counts:
        dropped = ", ".join(f"{number} {name}" for name, number in sorted(counts.items()))
        yield Finding(
            "history",
            Verdict.LOOK,
            f"dropped so far to keep the journal below {tree.storage.max_size_mb:g} MB: {dropped}",
            "raise storage.max_size_mb if you want to keep more",
        )
    if aside:
        sink, seq, why = aside[-1]
        yield Finding(
            "history",
            Verdict.LOOK,
            f"set aside because they could not be taken: {len(aside)}; the last is event {seq}"
            f"{' for ' + sink if sink else ''}: {why}",
            "they are in the journal; all others went on",
        )
    if waiting:
        yield Finding(
            "delivery",
            Verdict.LOOK,
            f"{waiting} events are not delivered yet",
            "they go out when the broker can be reached; see the line about it below",
        )


def _clock() -> Iterator[Finding]:
    if kernel_synchronised():
        yield Finding("clock", Verdict.FINE, "synchronised")
    else:
        yield Finding(
            "clock",
            Verdict.LOOK,
            "not synchronised: times on records may be wrong, intervals are not",
            "connect to a network with time service, or fit a real-time clock",
        )


def _supply() -> Iterator[Finding]:
    low = under_voltage()
    if low is not None:
        verdict = Verdict.FAILED if low else Verdict.FINE
        line, remedy = (UNDER_VOLTAGE, SUPPLY_REMEDY) if low else ("high enough now", "")
        yield Finding("supply", verdict, line, remedy)


def _broker(tree: SettingsTree) -> Iterator[Finding]:
    if tree.mqtt is None:
        yield Finding(
            "broker",
            Verdict.LOOK,
            "none configured: alarms stay in the journal and in the log",
            "add a table [mqtt] with host",
        )
        return
    try:
        address = broker_address(tree.mqtt, tree.site.id)
    except SettingsError as error:
        for problem in error.problems:
            yield Finding("broker", Verdict.FAILED, problem, mistake=True)
        return
    if tree.mqtt.client_id and running_process(Path(tree.storage.folder)) is not None:
        yield Finding(
            "broker", Verdict.LOOK, "not tried: canister run is there under mqtt.client_id",
            "`canister status` shows an alarm of the site if it cannot deliver",
        )  # fmt: skip
        return
    refusal = _refusal(tree.mqtt, tree.site.id, address)
    if refusal is not None:
        yield refusal
        return
    yield Finding("broker", Verdict.FINE, f"{address.host}:{address.port} accepts us")
    if tree.mqtt.commands and not address.username and not address.cert_file:
        yield Finding(
            "commands",
            Verdict.LOOK,
            "whoever reaches the broker can make alarms silent for a time",
            "let the broker ask for passwords (see `canister access`), or set mqtt.commands = false",
        )


def _refusal(mqtt: MqttSettings, site_id: str, address: BrokerAddress) -> Finding | None:
    """What a broker says against us, if anything."""
    # Another client id and no retained will: a session that waits at the broker is left alone. Where
    # one is configured the broker may hold us to it; what comes is then left unacknowledged.
    probing = address
    if not mqtt.client_id:
        probing = msgspec.structs.replace(address, client_id=f"check-{os.getpid()}")
    will = Message(f"{mqtt.topic_root}/{site_id}/check", b"")
    session = Session(probing, will, lambda: None, only_look=True)
    try:
        session.open()
    except CanisterError as error:
        line, _, remedy = str(error).rpartition("; ")
        return Finding("broker", Verdict.FAILED, line, remedy)
    session.close(None)
    return None


def _people(tree: SettingsTree) -> Iterator[Finding]:
    settings = tree.notify
    if not settings.addresses_file:
        return
    from monitor.app.outlet import addresses_of
    from monitor.delivery.notify import NotifySink

    try:
        found = addresses_of(settings)
        for address in found:
            NotifySink(address, "", _Nothing()).open()
    except SettingsError as error:
        for problem in error.problems:
            line, _, remedy = problem.partition("; ")
            yield Finding("messages", Verdict.FAILED, line, remedy, True)
        return
    except MachineError as error:
        line, _, remedy = str(error).partition("; ")
        yield Finding("messages", Verdict.FAILED, line, remedy)
        return
    yield Finding(
        "messages",
        Verdict.FINE,
        f"{len(found)} addresses can be read; whether they arrive, `canister test-alarm` shows",
    )


def _history(tree: SettingsTree) -> Iterator[Finding]:
    settings = tree.influx
    if not settings.url:
        return
    from monitor.app.outlet import server_of
    from monitor.delivery.influx import look

    try:
        wrong = look(server_of(settings))
    except SettingsError as error:
        for problem in error.problems:
            line, _, remedy = problem.partition("; ")
            yield Finding("history", Verdict.FAILED, line, remedy, True)
        return
    if wrong is not None:
        remedy = "look at influx.url, influx.ca_file and the network; nothing is lost meanwhile"
        yield Finding("history", Verdict.FAILED, f"{settings.url}: {wrong}", remedy)
        return
    yield Finding(
        "history",
        Verdict.FINE,
        f"{settings.url} answers; whether it takes what it is given, `canister status` shows",
    )


class _Nothing:
    """Keeps nothing: a check changes nothing."""

    def keep(self, name: str, body: bytes) -> None:
        """Keep nothing."""

    def kept(self, name: str) -> bytes | None:
        """Return nothing."""
        return None
