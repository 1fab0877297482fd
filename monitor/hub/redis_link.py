"""The way to Redis, and whether that one may hold the memory of a fleet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

import redis
from redis.exceptions import RedisError

from monitor.errors import MachineError


class StateError(MachineError):
    """Redis cannot do what it must; nothing is acknowledged to the broker meanwhile."""


def connect(url: str, username: str | None, password: str | None) -> redis.Redis:
    """Return a link to Redis; nothing is asked of it yet."""
    return redis.Redis.from_url(
        url,
        username=username or None,
        password=password,
        socket_timeout=10.0,
        socket_connect_timeout=5.0,
        health_check_interval=30,
    )


def unfit(link: redis.Redis) -> list[str]:
    """Return why this Redis must not hold the state of a fleet, in a line each; none is well.

    Raises:
        StateError: it does not answer.
    """
    try:
        memory = cast(Mapping[str, Any], link.info("memory"))
        persistence = cast(Mapping[str, Any], link.info("persistence"))
    except RedisError as error:
        raise StateError(f"redis: {error}; see that it runs and look at redis.url") from error
    found = []
    if memory.get("maxmemory_policy") != "noeviction":
        found.append(
            f"redis: maxmemory-policy is {memory.get('maxmemory_policy')}, so that sites may vanish; set it "
            "to noeviction"
        )
    if not int(persistence.get("aof_enabled", 0)):
        found.append(
            "redis: it does not keep an append-only file, so that a restart forgets the fleet; set "
            "appendonly yes"
        )
    return found
