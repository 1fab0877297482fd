"""What the state of many filters takes in Redis."""

from __future__ import annotations

from typing import Any, cast

from monitor.fleet.fold import Effect, Row, Said, effects
from monitor.fleet.messages import read
from tests.bench.figure import Figure
from tests.bench.hub_load import fresh
from tests.support.real_redis import RealRedis
from tests.support.sites import Site

SITES = 500
FILTERS = 2
DAYS = 90.0


def memory(redis: RealRedis) -> Figure:
    """Three months of some sites, whatever is kept of them; streams emptied, as they are when all is told."""
    link = redis.link()
    state = fresh(link)
    before = _used(link)
    wanted: list[Effect] = []
    for number in range(SITES):
        for sent in Site(f"site_{number}", number, DAYS, 86400.0, FILTERS).messages:
            site, message = read(sent.topic, sent.payload, "canister")
            found = effects(site, message, sent.at_s, sent.retain)
            wanted += [e for e in found if not isinstance(e, Row | Said)]
        if len(wanted) > 20_000:
            state.apply(wanted)
            wanted = []
    state.apply(wanted)
    for base in state.bases():
        link.delete(f"{base}notes", f"{base}rows")
    used = _used(link) - before
    return Figure(
        f"Redis for 10,000 filters (from {SITES * FILTERS:,}, {DAYS:.0f} days old)",
        f"{used * 10_000 / (SITES * FILTERS) / 1e6:.0f} MB", "-", "-", "-", True,
    )  # fmt: skip


def _used(link: Any) -> int:
    return int(cast(dict[str, Any], link.info("memory"))["used_memory"])
