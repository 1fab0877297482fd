"""The memory of a fleet in Redis: the same as `monitor.fleet.fold.Memory`, for many workers at once.

Everything of a site lies in one shard, a part of the keys with a hash tag of its own, so that a script
finds it on one node of a cluster. A batch of effects is one call of one script for each shard: it is
carried out whole, alone, and may come twice.

Keys of a shard, after `<prefix>:{<shard>}:`
    site:<id>            hash: register -> place, a line feed, value
    seen:<id>:<journal>  bits: which events have come; gone: likewise those that will not come
    count:<id>           hash: journal -> how many bits of the two together
    heard, due, standing sorted sets: site or member -> time
    behind               set: <id>|<journal> that may lack events
    notes, rows          streams: for people, and for the time-series server
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, cast

import msgspec
import redis
from redis.exceptions import RedisError

from monitor.fleet.fold import Effect
from monitor.hub.redis_link import StateError
from monitor.hub.script import END_FILL, SCRIPT, arguments, pieces

NOTES, ROWS, GROUP = "notes", "rows", "hub"
_FILLING = b"filling "


class DeadLetter(msgspec.Struct, frozen=True):
    """A message that is not taken: why, in words to count by and in detail."""

    reason: str
    topic: str
    payload: bytes
    detail: str


class State:
    """The memory of a fleet.

    Args:
        link: to Redis, with bytes as its answers.
        prefix: what all keys begin with.
        shards: into how many parts they are spread; the same for ever.
        most_rows: how many lines of history may wait in one shard.
    """

    def __init__(
        self, link: redis.Redis, prefix: str, shards: int, most_rows: int = 1_000_000
    ) -> None:
        self._redis = link
        self._prefix = prefix
        self._shards = shards
        self._most_rows = most_rows
        self._script = link.register_script(SCRIPT)
        self._end_fill = link.register_script(END_FILL)

    def base(self, shard: int) -> str:
        """Return what the keys of a shard begin with."""
        return f"{self._prefix}:{{{shard}}}:"

    def base_of(self, site: str) -> str:
        """Return what the keys of a site's shard begin with."""
        return self.base(zlib.crc32(site.encode()) % self._shards)

    def bases(self) -> list[str]:
        """Return what the keys of every shard begin with."""
        return [self.base(shard) for shard in range(self._shards)]

    def apply(self, effects: Iterable[Effect]) -> None:
        """Let effects happen, those of one shard together.

        Raises:
            StateError: some or all did not; they may be repeated.
        """
        parts: list[list[str | int | float]] = [[] for _ in range(self._shards)]
        for effect in effects:
            parts[zlib.crc32(effect.site.encode()) % self._shards] += arguments(effect)
        try:
            # The shards' calls go out together: one wait, not one for each.
            with self._redis.pipeline(transaction=False) as pipe:
                for shard, texts in enumerate(parts):
                    for piece in pieces(texts):
                        self._script([self.base(shard)], [self._most_rows, *piece], client=pipe)
                pipe.execute()
        except RedisError as error:
            raise StateError(f"redis: {error}") from error

    def registers(self, site: str) -> dict[str, tuple[str, str]]:
        """Return every register of a site: its place and value.

        Raises:
            StateError: Redis cannot be read.
        """
        found = self._ask("hgetall", f"{self.base_of(site)}site:{site}")
        return _registers(found)

    def many_registers(self, sites: Sequence[str]) -> list[dict[str, tuple[str, str]]]:
        """Return the registers of several sites, in one round trip.

        Raises:
            StateError: Redis cannot be read.
        """
        try:
            with self._redis.pipeline(transaction=False) as pipe:
                for site in sites:
                    pipe.hgetall(f"{self.base_of(site)}site:{site}")
                found = cast(list[dict[bytes, bytes]], pipe.execute())
        except RedisError as error:
            raise StateError(f"redis: {error}") from error
        return [_registers(one) for one in found]

    def heard(self, sites: Sequence[str] | None = None) -> dict[str, float]:
        """Return when sites were heard last, by default all; 0 for those of whom only the past is known.

        Raises:
            StateError: Redis cannot be read.
        """
        if sites is not None:
            asked = {s: self._ask("zscore", f"{self.base_of(s)}heard", s) for s in sites}
            return {s: float(v) for s, v in asked.items() if v is not None}
        found: dict[str, float] = {}
        for base in self.bases():
            found |= _scores(self._ask("zrange", f"{base}heard", 0, -1, withscores=True))
        return found

    def index(self, name: str, until: float = float("inf")) -> dict[str, float]:
        """Return the members of an index of the whole fleet up to a score.

        Raises:
            StateError: Redis cannot be read.
        """
        found: dict[str, float] = {}
        for base in self.bases():
            found |= _scores(
                self._ask("zrangebyscore", f"{base}{name}", "-inf", until, withscores=True)
            )
        return found

    def seen(self, site: str, journal: str) -> set[int]:
        """Return the numbers of the events that have come.

        Raises:
            StateError: Redis cannot be read.
        """
        return self._bits(f"{self.base_of(site)}seen:{site}:{journal}")

    def missing(self, site: str, journal: str, newest: int) -> list[int]:
        """Return the numbers of events that have not come and may still come.

        Raises:
            StateError: Redis cannot be read.
        """
        have = self.seen(site, journal)
        have |= self._bits(f"{self.base_of(site)}gone:{site}:{journal}")
        return [number for number in range(1, newest + 1) if number not in have]

    def behind(self, most: int) -> list[tuple[str, str, int]]:
        """Take some of those that may lack events: site, journal, newest number.

        Raises:
            StateError: Redis cannot be read.
        """
        found: list[tuple[str, str, int]] = []
        for base in self.bases():
            if len(found) >= most:
                break
            for text in self._ask("spop", f"{base}behind", most - len(found)) or ():
                site, journal, newest = text.decode().split("|")
                found.append((site, journal, int(newest)))
        return found

    def refuse(self, letters: Sequence[DeadLetter]) -> None:
        """Count messages that are not taken, and keep the newest thousand to look at.

        Raises:
            StateError: Redis cannot be written.
        """
        try:
            with self._redis.pipeline(transaction=False) as pipe:
                for one in letters:
                    fields = {
                        "reason": one.reason,
                        "topic": one.topic[:200],
                        "detail": one.detail[:400],
                        "payload": one.payload[:400].decode("utf-8", "replace"),
                    }
                    pipe.hincrby(f"{self._prefix}:refused", one.reason, 1)
                    pipe.xadd(f"{self._prefix}:dead", cast(Any, fields), maxlen=1000)
                pipe.execute()
        except RedisError as error:
            raise StateError(f"redis: {error}") from error

    def refused(self) -> dict[str, int]:
        """Return how many messages were not taken, by reason.

        Raises:
            StateError: Redis cannot be read.
        """
        found = self._ask("hgetall", f"{self._prefix}:refused")
        return {reason.decode(): int(number) for reason, number in found.items()}

    def dead_letters(self, most: int = 20) -> list[dict[str, str]]:
        """Return the newest messages that were not taken, newest first.

        Raises:
            StateError: Redis cannot be read.
        """
        found = self._ask("xrevrange", f"{self._prefix}:dead", count=most)
        return [{k.decode(): v.decode() for k, v in fields.items()} for _, fields in found]

    def overfull(self) -> int:
        """Return how many registers were not begun because their site has more than any honest one.

        Raises:
            StateError: Redis cannot be read.
        """
        return sum(int(self._ask("get", f"{base}overfull") or 0) for base in self.bases())

    def rows_dropped(self) -> int:
        """Return how many lines of history had to go because the server was away for too long.

        Raises:
            StateError: Redis cannot be read.
        """
        return sum(int(self._ask("get", f"{base}rows-dropped") or 0) for base in self.bases())

    def rows_waiting(self) -> int:
        """Return how many lines of history wait for the server.

        Raises:
            StateError: Redis cannot be read.
        """
        return sum(int(self._ask("xlen", f"{base}{ROWS}")) for base in self.bases())

    def claim(self, what: str, who: str, for_s: float) -> bool:
        """Return whether a chore that one worker does is ours for some time; again for who has it.

        Raises:
            StateError: Redis cannot be written.
        """
        key = f"{self._prefix}:chore:{what}"
        expiry_ms = max(1, int(for_s * 1000))
        if self._ask("set", key, who, nx=True, px=expiry_ms):
            return True
        if self._ask("get", key) != who.encode():
            return False
        self._ask("pexpire", key, expiry_ms)
        return True

    def silent_since(self, utc_s: float) -> dict[str, float]:
        """Return the sites that were not heard after a time, and when they were.

        Raises:
            StateError: Redis cannot be read.
        """
        return self.index("heard", utc_s)

    def some(self, place: tuple[int, int], most: int) -> tuple[dict[str, float], tuple[int, int]]:
        """Return some sites and when they were heard, and where to go on; from (0, 0) round and round.

        Raises:
            StateError: Redis cannot be read.
        """
        shard, cursor = place
        shard %= self._shards
        after, found = self._ask("zscan", f"{self.base(shard)}heard", cursor, count=most)
        onwards = (shard, int(after)) if int(after) else (shard + 1, 0)
        return _scores(found), onwards

    def crowd(self) -> tuple[int, float]:
        """Return how many sites are known, and when any of them was heard last.

        Raises:
            StateError: Redis cannot be read.
        """
        count, newest_s = 0, 0.0
        for base in self.bases():
            count += int(self._ask("zcard", f"{base}heard"))
            last = self._ask("zrange", f"{base}heard", -1, -1, withscores=True)
            newest_s = max(newest_s, last[0][1] if last else 0.0)
        return count, newest_s

    def listening(self, now_utc_s: float, gap_s: float) -> float:
        """Note that the hub listens; return since when it has done so without a gap longer than this.

        Raises:
            StateError: Redis cannot be used.
        """
        key = f"{self._prefix}:listening"
        known = self._ask("hmget", key, "since", "last")
        since_s = float(known[0]) if known[0] else now_utc_s
        last_s = float(known[1]) if known[1] else now_utc_s
        if now_utc_s - last_s > gap_s or last_s > now_utc_s + gap_s:
            since_s = now_utc_s
        self._ask("hset", key, mapping={"since": since_s, "last": now_utc_s})
        return since_s

    def absences(self) -> dict[str, str]:
        """Return what is noted of sites that are not heard.

        Raises:
            StateError: Redis cannot be read.
        """
        found = self._ask("hgetall", f"{self._prefix}:absent")
        return {site.decode(): text.decode() for site, text in found.items()}

    def note_absence(self, site: str, text: str | None) -> None:
        """Note something of a site that is not heard; `None` when it is heard again.

        Raises:
            StateError: Redis cannot be written.
        """
        key = f"{self._prefix}:absent"
        if text is None:
            self._ask("hdel", key, site)
        else:
            self._ask("hset", key, site, text)

    def epoch(self) -> str | None:
        """Return the mark of this memory, `None` for one that is empty and must be filled.

        Raises:
            StateError: Redis cannot be read.
        """
        found: bytes = self._ask("get", f"{self._prefix}:epoch") or b""
        return None if not found or found.startswith(_FILLING) else found.decode()

    def begin_fill(self, mark: str) -> None:
        """Note that this memory is being filled.

        Raises:
            StateError: Redis cannot be written.
        """
        self._ask("set", f"{self._prefix}:epoch", _FILLING + mark.encode())

    def end_fill(self, mark: str) -> bool:
        """Mark this memory as filled, if it is the one that `begin_fill` began; return whether it is.

        One that was lost in between is as empty as the one before, whatever came into it.

        Raises:
            StateError: Redis cannot be written.
        """
        try:
            ended = self._end_fill([f"{self._prefix}:epoch"], [_FILLING + mark.encode(), mark])
        except RedisError as error:
            raise StateError(f"redis: {error}") from error
        return bool(ended)

    def _bits(self, key: str) -> set[int]:
        """The numbers of the bits that are set; Redis counts them from the left of each byte."""
        data: bytes = self._ask("get", key) or b""
        return {
            8 * at + bit
            for at, byte in enumerate(data)
            if byte
            for bit in range(8)
            if byte & (0x80 >> bit)
        }

    def _ask(self, command: str, *arguments: Any, **options: Any) -> Any:
        try:
            return getattr(self._redis, command)(*arguments, **options)
        except RedisError as error:
            raise StateError(f"redis: {error}") from error


def _registers(found: Mapping[bytes, bytes]) -> dict[str, tuple[str, str]]:
    registers = {}
    for field, text in found.items():
        place, _, value = text.partition(b"\n")
        registers[field.decode()] = (place.decode(), value.decode())
    return registers


def _scores(found: Iterable[tuple[bytes, float]]) -> dict[str, float]:
    return {member.decode(): score for member, score in found}
