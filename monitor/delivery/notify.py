"""The sink for people: mail, push and chat through apprise, with quiet hours and a second channel.

Addresses carry secrets; they are never logged. Each address gets each message; one that fails is
tried again while the others are not bothered twice.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo
from typing import Any, Protocol

import msgspec

from monitor.delivery import quiet
from monitor.delivery.quiet import QuietHours
from monitor.errors import MachineError
from monitor.records import Entry

_log = logging.getLogger(__name__)
_HELD = "held/notify"


class Keeps(Protocol):
    """What the sink needs of the journal: to remember what waits for the morning."""

    def keep(self, name: str, body: bytes) -> None:
        """Keep something under a name, over restarts."""

    def kept(self, name: str) -> bytes | None:
        """Return what was kept, `None` for nothing."""


class Addresses(msgspec.Struct, frozen=True):
    """Where messages go: to the first channel, and to the second when nobody acknowledges."""

    first: tuple[str, ...]
    second: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"Addresses({len(self.first)}, {len(self.second)})"


class NotifySink:
    """Tells people.

    Args:
        addresses: asked for at every opening, so that a changed file counts.
        site: how the site is called in messages.
        keeps: remembers what waits.
        hours: quiet hours, `None` for none.
        simulated: no real water is behind this.
        zone: the time zone of quiet hours and messages; `None` is the board's own.
        clock: the wall clock.
        made: builds the sender for one address; apprise's own unless told otherwise.
    """

    name = "notify"

    def __init__(
        self,
        addresses: Callable[[], Addresses],
        site: str,
        keeps: Keeps,
        hours: QuietHours | None = None,
        simulated: bool = False,
        zone: tzinfo | None = None,
        clock: Callable[[], float] | None = None,
        made: Callable[[str], Callable[[str, str], bool]] | None = None,
    ) -> None:
        self._addresses = addresses
        self._site = site
        self._keeps = keeps
        self._hours = hours
        self._simulated = simulated
        self._zone = zone
        self._clock = clock if clock is not None else _wall
        self._made = made if made is not None else _by_apprise
        self._first: list[Callable[[str, str], bool]] = []
        self._second: list[Callable[[str, str], bool]] = []
        self._held: tuple[Entry, ...] = ()
        self._done: dict[int, set[int]] = {}

    def open(self) -> None:
        """Read the addresses and what waits.

        Raises:
            SettingsError: the addresses cannot be read.
            MachineError: one of them is of no known kind.
        """
        found = self._addresses()
        self._first = [self._made(a) for a in found.first]
        self._second = [self._made(a) for a in found.second]
        kept = self._keeps.kept(_HELD)
        try:
            self._held = () if kept is None else msgspec.json.decode(kept, type=tuple[Entry, ...])
        except msgspec.DecodeError:
            _log.warning("what waited for the end of the quiet hours cannot be read")
            self._held = ()

    def deliver(self, entries: Sequence[Entry]) -> int:
        """Tell people of events, oldest first; return how many are settled.

        Raises:
            MachineError: an address did not take a message.
        """
        is_quiet = self._is_quiet()
        if not is_quiet and self._held:
            for entry in self._held:
                self._send(entry)
            self._hold(())
        for count, entry in enumerate(entries):
            event = entry.event
            if not quiet.is_for_people(event):
                continue
            if is_quiet and quiet.may_wait(event):
                self._hold(quiet.held_after(self._held, entry))
                continue
            try:
                self._send(entry)
            except MachineError:
                if count:
                    return count
                raise
        return len(entries)

    def close(self, on_purpose: bool) -> None:
        """Nothing to let go of."""

    def _is_quiet(self) -> bool:
        if self._hours is None:
            return False
        return self._hours.at(datetime.fromtimestamp(self._clock(), self._zone).time())

    def _hold(self, held: tuple[Entry, ...]) -> None:
        self._keeps.keep(_HELD, msgspec.json.encode(held))
        self._held = held

    def _send(self, entry: Entry) -> None:
        second = quiet.for_second(entry.event) and self._second
        ways = self._second if second else self._first
        title = quiet.title(entry.event, self._site, self._simulated)
        body = quiet.body(entry.event, self._zone)
        done = self._done.setdefault(entry.seq, set())
        for index, way in enumerate(ways):
            if index in done:
                continue
            if way(title, body):
                done.add(index)
        left = len(ways) - len(done)
        if left:
            raise MachineError(
                f"notify: {left} of {len(ways)} addresses did not take a message; look at the network "
                "and at notify.addresses_file"
            )
        del self._done[entry.seq]


def _wall() -> float:
    return datetime.now().astimezone().timestamp()


def _by_apprise(address: str) -> Callable[[str, str], bool]:
    """Return a sender for one address.

    Raises:
        MachineError: apprise is not installed, or does not know such an address.
    """
    try:
        import apprise
    except ImportError as error:
        raise MachineError(
            "notify: the extra is not installed; run .venv/bin/pip install -c "
            "deploy/constraints.txt -e '.[notify]'"
        ) from error
    # Its own log lines can carry addresses.
    logging.getLogger("apprise").setLevel(logging.CRITICAL)
    sender: Any = apprise.Apprise()
    if not sender.add(address):
        kind = address.split("://", 1)[0][:20]
        raise MachineError(
            f"notify: an address that begins with {kind}:// is of no kind that apprise knows; look at "
            "notify.addresses_file"
        )

    def send(title: str, body: str) -> bool:
        return bool(sender.notify(title=title, body=body))

    return send
