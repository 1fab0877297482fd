"""What became of a fleet under faults: memory, people and history against what the sites said."""

from __future__ import annotations

import json
from collections import Counter
from datetime import datetime

from monitor.fleet.fold import Memory, Seen, effects
from monitor.fleet.messages import read
from monitor.fleet.notices import note_of
from monitor.hub.state import State
from tests.faultrun.row import Row
from tests.support.sites import Site
from tests.support.timeseries import VictoriaMetrics


def expected(sites: list[Site]) -> tuple[Memory, dict[str, str]]:
    """The memory of a plain fold over every message; what people must hear, by id, as a line begins."""
    made, told = Memory(), dict[str, str]()
    for site in sites:
        for sent in site.messages:
            name, message = read(sent.topic, sent.payload, "canister")
            for effect in effects(name, message, 0.0, sent.retain):
                made.apply(effect)
                if isinstance(effect, Seen) and effect.note:
                    note = note_of(effect.note)
                    over = " is over" if note.event == "cleared" else ""
                    what = f"{note.filter_id} {note.what.replace('-', ' ')}{over}"
                    when = note.time[:16].replace("T", " ")
                    told[note.id] = f"{name}: {what} ({note.priority}, {when}"
    return made, told


_OF_RUNS = {"run", "began"}


def differences(state: State, wanted: Memory) -> list[str]:
    """Where Redis differs from the fold; what stands of runs that are over is gone with a lost Redis."""
    found: list[str] = []
    sites = list(wanted.registers)
    for site, fields in zip(sites, state.many_registers(sites), strict=True):
        for field, value in wanted.registers[site].items():
            if not _OF_RUNS & {*field.split("/")} and fields.get(field) != value:
                found.append(f"{site} {field}: {fields.get(field, '-')!s:.60} for {value!s:.60}")
    for name, index in wanted.indexes.items():
        if state.index(name) != index:
            found.append(f"index {name} differs")
    for (site, journal), numbers in wanted.seen.items():
        missing = numbers - state.seen(site, journal)
        if missing:
            found.append(f"{site}: events {sorted(missing)[:5]} never came")
    return found


def telling(said: set[str], lines: list[str], told: dict[str, str]) -> list[Row]:
    """What people really got, held against what they must hear: by site, filter, alarm and minute."""
    heard, marked = Counter[str](), Counter[str]()
    for line in lines:
        mark, _, words = line.partition(" UTC")
        heard[mark] += 1
        marked[mark] += "perhaps told before" in words
    wanted = set(told.values())
    twice = [mark for mark, n in heard.items() if n - marked[mark] > 1]
    others = sorted((said - set(told)) | (set(heard) - wanted))
    return [
        Row(
            "fleet: alarms told", f"{len(wanted & set(heard))} of {len(wanted)}, {len(others)} others {others[:4]}",
            "all, none", wanted == set(heard) and not others,
        ),
        Row(
            "fleet: told twice without saying so",
            f"{len(twice)} of {sum(heard.values())}; {sum(marked.values())} marked as perhaps told before",
            "none", not twice,
        ),
    ]  # fmt: skip


def history(
    metrics: VictoriaMetrics,
    sites: list[Site],
    said_at_s: dict[bytes, float],
    gaps: list[tuple[float, float]],
) -> list[Row]:
    """Lines at the server against what was said; a repeat is the same point.

    Events that are missed are asked for again, so all must be there. A state that a killed broker or an
    emptied Redis takes along is not, since the next one follows; so states may lack about such a fault, and
    at no other time, and every one that is there must be as it was said.

    Args:
        metrics: the server.
        sites: who spoke.
        said_at_s: when each payload was published.
        gaps: from when to when states may be lost, on the same clock.
    """
    wanted = sum(len(site.events) for site in sites)
    events = metrics.points('{__name__="canister_event_occurrence"}')
    found = sum(len(points) for points in events.values())
    bad = metrics.invalid_rows()
    kept = {
        (labels["site"], labels["filter"], stamp): value
        for text, points in metrics.points("canister_sample_flow_l_per_h").items()
        for labels in [dict(one.split("=", 1) for one in text)]
        for stamp, value in points
    }
    flows = _flows(sites)
    wrong = [k for k, value in kept.items() if k not in flows or abs(flows[k][0] - value) > 1e-6]
    late = [said_at_s[payload] for k, (_, payload) in flows.items() if k not in kept]
    lost = [at_s for at_s in late if not any(a <= at_s <= b for a, b in gaps)]
    return [
        Row(
            "fleet: events in the history", f"{found} of {wanted}, {bad} lines refused", "all, none",
            found == wanted and bad == 0,
        ),
        Row(
            "fleet: states in the history",
            f"{len(kept)} of {len(flows)}; {len(lost)} lost but by a killed broker or an emptied Redis, "
            f"{len(wrong)} not as they were said", "none, none", not lost and not wrong,
        ),
    ]  # fmt: skip


def _flows(sites: list[Site]) -> dict[tuple[str, str, float], tuple[float, bytes]]:
    """The flow and payload of every state that was said, by site, filter and time."""
    found = {}
    for site in sites:
        for sent in site.messages:
            if sent.topic.endswith("/state"):
                body = json.loads(sent.payload)
                stamp = round(datetime.fromisoformat(body["time"]).timestamp(), 3)
                found[body["site"], body["filter"], stamp] = (body["flow_l_per_h"], sent.payload)
    return found
