"""The script that lets effects happen in Redis, and effects as its arguments.

A batch of effects is one call: it is carried out whole and alone, and may come twice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.fleet.fold import Effect, Heard, Newest, Put, Row, Said, Seen, Settled

# Redis does nothing else while a script runs; so many effects take it some 10 ms.
_EFFECTS_AT_ONCE = 4000

# Arguments: the rows that may wait, then effects, each a letter and what belongs to it.
SCRIPT = """
local base, i = KEYS[1], 2
local most = tonumber(ARGV[1])
-- No site may fill the memory: more registers or journals than any honest one has are not begun.
local function room(key, most_of)
  if redis.call('HLEN', key) < most_of then return true end
  redis.call('INCR', base .. 'overfull')
  return false
end
local function count(site, journal)
  return redis.call('HINCRBY', base .. 'count:' .. site, journal, 1)
end
while i <= #ARGV do
  local op, site = ARGV[i], ARGV[i + 1]
  if op == 'P' or op == 'I' then
    local field, place, value = ARGV[i + 2], ARGV[i + 3], ARGV[i + 4]
    local key, new = base .. 'site:' .. site, place .. '\\n' .. value
    local old = redis.call('HGET', key, field)
    if (old and new > old) or (not old and room(key, 5000)) then
      redis.call('HSET', key, field, new)
      if op == 'I' then
        if ARGV[i + 7] == '' then
          redis.call('ZREM', base .. ARGV[i + 5], ARGV[i + 6])
        else
          redis.call('ZADD', base .. ARGV[i + 5], ARGV[i + 7], ARGV[i + 6])
        end
      end
    end
    i = i + (op == 'I' and 8 or 5)
  elseif op == 'S' then
    local journal, number = ARGV[i + 2], tonumber(ARGV[i + 3])
    local of, counts = site .. ':' .. journal, base .. 'count:' .. site
    if (redis.call('HEXISTS', counts, journal) == 1 or room(counts, 50))
        and redis.call('SETBIT', base .. 'seen:' .. of, number, 1) == 0 then
      if redis.call('GETBIT', base .. 'gone:' .. of, number) == 0 then
        count(site, journal)
      end
      if ARGV[i + 4] ~= '' then
        redis.call('XADD', base .. 'notes', '*', 'site', site, 'note', ARGV[i + 4])
      end
    end
    i = i + 5
  elseif op == 'N' then
    local have = tonumber(redis.call('HGET', base .. 'count:' .. site, ARGV[i + 2]) or '0')
    if have < tonumber(ARGV[i + 3]) then
      redis.call('SADD', base .. 'behind', site .. '|' .. ARGV[i + 2] .. '|' .. ARGV[i + 3])
    end
    i = i + 4
  elseif op == 'G' then
    local of = site .. ':' .. ARGV[i + 2]
    for number = tonumber(ARGV[i + 3]), tonumber(ARGV[i + 4]) do
      if redis.call('SETBIT', base .. 'gone:' .. of, number, 1) == 0
          and redis.call('GETBIT', base .. 'seen:' .. of, number) == 0 then
        count(site, ARGV[i + 2])
      end
    end
    i = i + 5
  elseif op == 'H' then
    redis.call('ZADD', base .. 'heard', 'GT', ARGV[i + 2], site)
    i = i + 3
  elseif op == 'T' then
    redis.call('XADD', base .. 'notes', '*', 'site', site, 'note', ARGV[i + 2])
    i = i + 3
  else
    redis.call('XADD', base .. 'rows', '*', 'line', ARGV[i + 2])
    i = i + 3
  end
end
local over = redis.call('XLEN', base .. 'rows') - most
if over > 0 then
  redis.call('XTRIM', base .. 'rows', 'MAXLEN', most)
  redis.call('INCRBY', base .. 'rows-dropped', over)
end
return over
"""

# The first argument becomes the second, if it still stands there.
END_FILL = """
if redis.call('GET', KEYS[1]) ~= ARGV[1] then return 0 end
redis.call('SET', KEYS[1], ARGV[2])
return 1
"""


def arguments(effect: Effect) -> tuple[str | int | float, ...]:
    """Return an effect as the script reads it."""
    match effect:
        case Put():
            index = effect.index
            if index is None:
                return ("P", effect.site, effect.field, effect.place, effect.value)
            score = "" if index.score is None else index.score
            return (
                "I", effect.site, effect.field, effect.place, effect.value, index.name, index.member,
                score,
            )  # fmt: skip
        case Seen():
            return ("S", effect.site, effect.journal, effect.number, effect.note)
        case Newest():
            return ("N", effect.site, effect.journal, effect.number)
        case Settled():
            return ("G", effect.site, effect.journal, effect.first, effect.last)
        case Heard():
            return ("H", effect.site, effect.utc_s)
        case Said():
            return ("T", effect.site, effect.note)
        case Row():
            return ("R", effect.site, effect.line)


_SIZES = {"P": 5, "I": 8, "S": 5, "N": 4, "G": 5, "H": 3, "T": 3, "R": 3}


def pieces(texts: Sequence[str | int | float]) -> Iterator[Sequence[str | int | float]]:
    """Cut where an effect ends, so that no call is too long."""
    if len(texts) <= 8 * _EFFECTS_AT_ONCE:
        if texts:
            yield texts
        return
    start = at = 0
    while at < len(texts):
        at += _SIZES[str(texts[at])]
        if at - start >= 8 * _EFFECTS_AT_ONCE or at == len(texts):
            yield texts[start:at]
            start = at
