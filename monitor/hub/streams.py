"""The streams of the state: what waits for people, and what waits for the time-series server.

Each is read by a consumer group, whose place in the stream is its cursor; an entry is gone when it is
done. What a dead process had taken is taken over from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, cast

import msgspec
import redis
from redis.exceptions import RedisError, ResponseError

from monitor.hub.redis_link import StateError
from monitor.hub.state import GROUP, State

_TAKEN_OVER_AFTER_MS = 30_000


class Waiting(msgspec.Struct, frozen=True):
    """An entry of a stream: in which, under what id, its fields."""

    stream: str
    id: str
    fields: dict[str, str]


class Stream:
    """One kind of stream over all shards.

    Args:
        link: to Redis.
        state: knows the shards.
        name: `notes` or `rows`.
        consumer: who takes; stable, so that a restart finds what it had.
    """

    def __init__(self, link: redis.Redis, state: State, name: str, consumer: str) -> None:
        self._redis = link
        self._keys = [f"{base}{name}" for base in state.bases()]
        self._consumer = consumer
        self._begin = True

    def take(self, most: int) -> list[Waiting]:
        """Return entries that nobody has taken yet, and those whose taker died; oldest first by shard.

        The first call after a start also returns what we ourselves had taken and not done.

        Raises:
            StateError: Redis cannot be read.
        """
        found: list[Waiting] = []
        try:
            for key in self._keys:
                found += self._of(key, most - len(found))
                if len(found) >= most:
                    break
        except RedisError as error:
            self._begin = True
            raise StateError(f"redis: {error}") from error
        self._begin = False
        return found

    def _of(self, key: str, most: int) -> list[Waiting]:
        try:
            return self._read(key, most)
        except ResponseError as error:
            if not any(word in str(error) for word in ("NOGROUP", "requires the key to exist")):
                raise
        # A stream that is new, or was lost with the memory.
        try:
            self._redis.xgroup_create(key, GROUP, id="0", mkstream=True)
        except ResponseError as error:
            if "BUSYGROUP" not in str(error):
                raise
        return self._read(key, most)

    def _read(self, key: str, most: int) -> list[Waiting]:
        found: list[Waiting] = []
        if self._begin:
            found += _entries(key, self._group_read(key, "0", most))
        claimed = cast(
            Sequence[Any],
            self._redis.xautoclaim(
                key, GROUP, self._consumer, _TAKEN_OVER_AFTER_MS, "0-0", count=max(1, most)
            ),
        )
        found += _entries(key, claimed[1])
        if len(found) < most:
            found += _entries(key, self._group_read(key, ">", most - len(found)))
        return list({one.id: one for one in found}.values())

    def _group_read(self, key: str, after: str, most: int) -> Sequence[Any]:
        answer = cast(
            Any, self._redis.xreadgroup(GROUP, self._consumer, {key: after}, count=max(1, most))
        )
        if isinstance(answer, dict):
            answer = list(answer.items())
        return answer[0][1] if answer else ()

    def done(self, entries: Sequence[Waiting]) -> None:
        """Let entries go for ever.

        Raises:
            StateError: Redis cannot be written; they will come again.
        """
        by_key: dict[str, list[str]] = {}
        for one in entries:
            by_key.setdefault(one.stream, []).append(one.id)
        try:
            with self._redis.pipeline(transaction=False) as pipe:
                for key, ids in by_key.items():
                    pipe.xack(key, GROUP, *ids)
                    pipe.xdel(key, *ids)
                pipe.execute()
        except RedisError as error:
            raise StateError(f"redis: {error}") from error


def _entries(key: str, found: Sequence[Any]) -> list[Waiting]:
    made = []
    for entry_id, fields in found:
        texts = {k.decode(): v.decode() for k, v in (fields or {}).items()}
        made.append(Waiting(key, entry_id.decode(), texts))
    return made
