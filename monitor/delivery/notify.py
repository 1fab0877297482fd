"""The sink for people: mail, push and chat through apprise, with quiet hours and a second channel.

Addresses carry secrets; they are never logged. Each is a sink of its own: one that fails is tried
again and holds up no other.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo
from typing import Any, Protocol

import msgspec

from monitor.delivery import quiet
from monitor.delivery.quiet import QuietHours
from monitor.errors import MachineError
from monitor.records import AlarmKind, Entry

_log = logging.getLogger(__name__)


class Keeps(Protocol):
    """What the sink needs of the journal: to remember what waits for the morning."""

    def keep(self, name: str, body: bytes) -> None:
        """Keep something under a name, over restarts."""

    def kept(self, name: str) -> bytes | None:
        """Return what was kept, `None` for nothing."""


class Address(msgspec.Struct, frozen=True):
    """Where messages go; `second` is told only when nobody acknowledges. The text holds a secret."""

    text: str
    second: bool = False

    def __repr__(self) -> str:
        return f"Address({self.name})"

    @property
    def name(self) -> str:
        """A name that tells addresses apart and gives nothing away."""
        return f"notify-{hashlib.sha256(self.text.encode()).hexdigest()[:8]}"


class NotifySink:
    """Tells people at one address; each has a cursor of its own, so that none holds up another.

    Args:
        address: where.
        site: how the site is called in messages.
        keeps: remembers what waits.
        alone: there is no second channel, so this one is also told what nobody has acknowledged.
        hours: quiet hours, `None` for none.
        simulated: no real water is behind this.
        zone: the time zone of quiet hours and messages; `None` is the board's own.
        clock: the wall clock.
        made: builds the sender; apprise's own unless told otherwise.
    """

    batch = 5  # so that a slow service is no silence to the watchdog

    def __init__(
        self,
        address: Address,
        site: str,
        keeps: Keeps,
        alone: bool = True,
        hours: QuietHours | None = None,
        simulated: bool = False,
        zone: tzinfo | None = None,
        clock: Callable[[], float] | None = None,
        made: Callable[[str], Callable[[str, str], bool]] | None = None,
    ) -> None:
        self.name = address.name
        self._address = address
        self._site = site
        self._keeps = keeps
        self._alone = alone
        self._hours = hours
        self._simulated = simulated
        self._zone = zone
        self._clock = clock if clock is not None else _wall
        self._made = made if made is not None else by_apprise
        self._way: Callable[[str, str], bool] | None = None
        self._held: tuple[Entry, ...] = ()
        self._told_early: set[tuple[object, ...]] = set()

    def open(self) -> None:
        """Make ready, and read what waits.

        Raises:
            MachineError: the address is of no known kind.
        """
        self._way = self._made(self._address.text)
        kept = self._keeps.kept(self._kept_as)
        try:
            self._held = () if kept is None else msgspec.json.decode(kept, type=tuple[Entry, ...])
        except msgspec.DecodeError:
            _log.warning("what waited for the end of the quiet hours cannot be read")
            self._held = ()

    def deliver(self, entries: Sequence[Entry]) -> int:
        """Tell people of events, oldest first, then of what waited; return how many are settled.

        Raises:
            MachineError: the address did not take a message.
        """
        is_quiet = self._is_quiet()
        for count, entry in enumerate(entries):
            event = entry.event
            if not self._is_for_us(entry) or _mark(entry) in self._told_early:
                self._told_early.discard(_mark(entry))
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
        while self._held and not is_quiet:
            self._send(self._held[0])
            self._hold(self._held[1:])
        return len(entries)

    def tell_early(self, entries: Sequence[Entry]) -> None:
        """Tell at once of what the journal cannot take; it is not told again when it can.

        Raises:
            MachineError: the address did not take a message.
        """
        for entry in entries:
            if self._is_for_us(entry) and _mark(entry) not in self._told_early:
                self._send(entry)
                self._told_early.add(_mark(entry))

    def close(self, on_purpose: bool) -> None:
        """Nothing to let go of."""

    def _is_for_us(self, entry: Entry) -> bool:
        event = entry.event
        if not quiet.is_for_people(event):
            return False
        if event.alarm is AlarmKind.TEST or self._alone:
            return True
        return quiet.for_second(event) is self._address.second

    def _is_quiet(self) -> bool:
        if self._hours is None:
            return False
        return self._hours.at(datetime.fromtimestamp(self._clock(), self._zone).time())

    @property
    def _kept_as(self) -> str:
        return f"held/{self.name}"

    def _hold(self, held: tuple[Entry, ...]) -> None:
        self._keeps.keep(self._kept_as, msgspec.json.encode(held))
        self._held = held

    def _send(self, entry: Entry) -> None:
        title = quiet.title(entry.event, self._site, self._simulated)
        body = quiet.body(entry.event, self._zone, entry.synchronised)
        if self._way is None or not self._way(title, body):
            raise MachineError(
                f"{self.name}: its address did not take a message; look at the network and at that "
                "line of notify.addresses_file"
            )


def _mark(entry: Entry) -> tuple[object, ...]:
    event = entry.event
    return (event.filter_id, event.alarm, event.event, event.occurrence, event.line_s)


def _wall() -> float:
    return datetime.now().astimezone().timestamp()


def by_apprise(address: str) -> Callable[[str, str], bool]:
    """Return a sender for one address.

    Raises:
        MachineError: apprise is not installed, or does not know such an address.
    """
    try:
        import apprise
    except ImportError as error:
        raise MachineError(
            "notify: the library for messages is not installed; run deploy/install again, or in a "
            "checkout .venv/bin/pip install -c deploy/constraints.txt -e '.[notify]'"
        ) from error
    # Its own log lines can carry addresses.
    logging.getLogger("apprise").setLevel(logging.CRITICAL)
    sender: Any = apprise.Apprise()
    if not sender.add(address):
        raise MachineError(
            f"{Address(address).name}: an address in notify.addresses_file is of no kind that apprise "
            "knows; look at how it begins"
        )

    def send(title: str, body: str) -> bool:
        return bool(sender.notify(title=title, body=body))

    return send
