"""Retained topics as they should stand at the broker, and what of it is not there yet."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence

from monitor.delivery.dispatcher import RowRejected
from monitor.delivery.mqtt import Message

_log = logging.getLogger(__name__)


class Standing:
    """Filled by one thread, shown by another; the order of filling is the order of showing."""

    def __init__(self) -> None:
        self._shown: dict[str, tuple[bytes, int | None]] = {}
        self._unsent: dict[str, None] = {}
        self._leaving: dict[str, None] = {}
        self._lock = threading.Lock()

    def put(self, messages: Mapping[str, bytes], expiry_s: int | None = None) -> None:
        """Let topics show these payloads from now on; an empty one takes a message away.

        With an expiry they are published each time, changed or not.
        """
        with self._lock:
            for topic, payload in messages.items():
                self._leaving.pop(topic, None)
                if expiry_s is not None or self._shown.get(topic) != (payload, None):
                    self._shown[topic] = (payload, expiry_s)
                    self._unsent[topic] = None

    def take_away(self, topics: Iterable[str]) -> None:
        """Let topics show nothing any more, and forget them once the broker has agreed."""
        with self._lock:
            for topic in topics:
                self._shown[topic] = (b"", None)
                self._unsent[topic] = None
                self._leaving[topic] = None

    @property
    def leaving(self) -> list[str]:
        """The topics that are still to be taken away."""
        with self._lock:
            return list(self._leaving)

    @property
    def waiting(self) -> bool:
        """Whether something is still to be shown."""
        with self._lock:
            return bool(self._unsent)

    def again(self) -> None:
        """Show everything again, as after a new connection."""
        with self._lock:
            self._unsent = dict.fromkeys(self._shown)

    def forget(self) -> None:
        """Show none of it any more, nor try to take anything away."""
        with self._lock:
            self._shown, self._unsent, self._leaving = {}, {}, {}

    def rest(self) -> None:
        """Try nothing more until `again` or the next change."""
        with self._lock:
            self._unsent = {}

    def show(self, publish: Callable[[Sequence[Message]], int]) -> None:
        """Publish what has changed; what did not arrive is kept for the next time.

        Args:
            publish: returns how many of its leading messages have arrived; may raise for none.
        """
        with self._lock:
            changed = [(topic, *self._shown[topic]) for topic in self._unsent]
            self._unsent = {}
        if not changed:
            return
        settled = 0
        try:
            settled = publish(
                [Message(topic, body, True, expiry) for topic, body, expiry in changed]
            )
        except RowRejected as why:
            # It can never be taken: it rests until it shows something else.
            topic, settled = changed[why.settled][0], why.settled
            changed = [one for one in changed if one[0] != topic]
            _log.error("%s is not shown: %s", topic, why)
        finally:
            with self._lock:
                for topic, _, _ in changed[:settled]:
                    if topic in self._leaving:
                        del self._leaving[topic], self._shown[topic]
                late = dict.fromkeys(topic for topic, _, _ in changed[settled:])
                self._unsent = {**late, **self._unsent}
