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

    @property
    def heartbeat(self) -> str:
        """Retained and expiring: that the site still watches."""
        return f"{self.root}/{self.site}/heartbeat"

    @property
    def commands(self) -> str:
        """Read by the site: what people ask for."""
        return f"{self.root}/{self.site}/commands"

    @property
    def answers(self) -> str:
        """What became of it; a command may name a topic below this for its own answer."""
        return f"{self.root}/{self.site}/answers"

    def state(self, filter_id: str) -> str:
        """Retained: the newest picture of one filter."""
        return f"{self.root}/{self.site}/filters/{filter_id}/state"

    def alarm(self, filter_id: str, alarm: str) -> str:
        """Retained: the standing of one alarm of one filter, or with an empty id of the site."""
        of = f"filters/{filter_id}/" if filter_id else ""
        return f"{self.root}/{self.site}/{of}alarms/{alarm}"
