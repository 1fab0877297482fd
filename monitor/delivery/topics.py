"""The topics of one site. Pure."""

from __future__ import annotations

import msgspec


class Topics(msgspec.Struct, frozen=True):
    """`<root>/<site>/…`; a site can be given write access to its own branch and to nothing else."""

    root: str
    site: str

    @property
    def presence(self) -> str:
        """Retained: online, lost (the broker's last will) or stopped on purpose."""
        return f"{self.root}/{self.site}/presence"

    @property
    def events(self) -> str:
        """Everything that happens, once each, QoS 1, not retained."""
        return f"{self.root}/{self.site}/events"

    def state(self, filter_id: str) -> str:
        """Retained: the newest picture of one filter."""
        return f"{self.root}/{self.site}/filters/{filter_id}/state"

    def alarm(self, filter_id: str, alarm: str) -> str:
        """Retained: the standing of one alarm of one filter."""
        return f"{self.root}/{self.site}/filters/{filter_id}/alarms/{alarm}"
