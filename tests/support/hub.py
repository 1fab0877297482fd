"""A hub of the tests' own: broker, Redis and configuration on loopback, processes by `canister hub`."""

from __future__ import annotations

from pathlib import Path

from tests.conftest import Mosquitto
from tests.support.real_redis import RealRedis

# The whole of a large store is not written with every change; what a power cut takes is asked for again.
BROKER = "autosave_on_changes false\nautosave_interval 5\nmax_inflight_messages 0\nmax_queued_messages 0\nmax_queued_bytes 0\n"


def configuration(
    folder: Path, broker: Mosquitto, redis: RealRedis, more: str = "", broker_more: str = ""
) -> Path:
    """Write the hub's file; `more` are further tables."""
    file = folder / "fleet.toml"
    file.write_text(
        f'[books]\nfolder = "{folder / "books"}"\n'
        f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n{broker_more}'
        f'[redis]\nurl = "{redis.url}"\n{more}',
        encoding="utf-8",
    )
    return file
