"""The wall clock is set while the daemon runs: back and ahead, by an hour, by a month, by a year.

The daemon runs inside this process, where both its own wall clock and APScheduler's can be set.
A stall begins a second before each step, so that the delay before its alarm spans the step, and a
pause of six seconds begins then too.
"""

from __future__ import annotations

import itertools
import json
import tempfile
import threading
import time
from pathlib import Path
from typing import NamedTuple

from monitor.app.daemon import Daemon
from monitor.journal.store import Journal
from monitor.records import Order
from monitor.settings.load import load
from tests.conftest import Mosquitto, until
from tests.faultrun.control import Control
from tests.faultrun.row import Row
from tests.faultrun.site import TOPICS, Site, all_heard, resident_mb
from tests.faultrun.witness import predicted_once
from tests.support.stepped import STEPS_S, SteppedWall, planned_by
from tests.support.subscriber import Subscriber

_WARM_S, _STALL_S, _PAUSE_S = 6.0, 6.0, 6.0
WINDOW_S = 15.0
# The site asks for a second of standstill, seen by ticks of a second each.
_RAISED_AFTER_S = (1.0, 3.1)
_MOST_GROWTH_MB = 3.0


class _Window(NamedTuple):
    """What was measured in one process from one step to the next."""

    step: str
    from_line_s: float
    chores: int
    growth_mb: float


def measure(steps: tuple[str, ...] = tuple(STEPS_S), window_s: float = WINDOW_S) -> list[Row]:
    """Set the clock by each of these, and look at every second, alarm, pause and chore around it."""
    wall = SteppedWall()
    with tempfile.TemporaryDirectory() as name, planned_by(wall):
        folder = Path(name)
        broker = Mosquitto(folder)
        broker.start()
        subscriber = Subscriber(folder, broker.port, f"{TOPICS}/events")
        stalls = [f"stall@{_WARM_S + n * window_s - 1:g}s+{_STALL_S:g}s" for n in range(len(steps))]
        site = Site(folder, broker.port, stalls)
        try:
            with Control(folder) as control:
                windows = _life(site, wall, steps, window_s)
            rows = [_judged(site, w, n, window_s, control) for n, w in enumerate(windows)]
            wall.step(STEPS_S["-30 days"])
            _life(site, wall, (), window_s)
            return [*rows, _over_all(site, subscriber)]
        finally:
            subscriber.stop()
            broker.kill()


def _life(site: Site, wall: SteppedWall, steps: tuple[str, ...], window_s: float) -> list[_Window]:
    """Run a daemon through these steps to its end."""
    daemon = Daemon(load(site.file, sound=False).tree, predicted_once(site.file), wall=wall)
    ran: list[float] = []
    daemon._chores.add("count", 1.0, lambda: ran.append(time.monotonic()), at_once=True)
    thread = threading.Thread(target=daemon.run)
    thread.start()
    found = []
    hand = Journal(site.state)
    try:
        began = time.monotonic()
        time.sleep(_WARM_S - 1.0)
        for number, step in enumerate(steps):
            hand.order(Order("feeding", "right", _PAUSE_S / 60.0), wall())
            time.sleep(max(0.0, began + _WARM_S + number * window_s - time.monotonic()))
            before_mb, chores, from_s = resident_mb(), len(ran), daemon._clock.now().line_s
            wall.step(STEPS_S[step])
            most_mb = before_mb
            end = began + _WARM_S + (number + 1) * window_s - 1.0
            while time.monotonic() < end:
                most_mb = max(most_mb, resident_mb())
                time.sleep(0.2)
            found.append(_Window(step, from_s, len(ran) - chores, most_mb - before_mb))
        assert site.drained(20)
    finally:
        hand.close()
        daemon.stop()
        thread.join(30)
    return found


def _judged(site: Site, window: _Window, number: int, window_s: float, control: Control) -> Row:
    start_s, end_s = window.from_line_s, window.from_line_s + window_s - 1.0
    inside = f"line_s > {start_s - 2.0} AND line_s < {end_s}"
    at_s = [
        r[0] for r in site.rows(f"SELECT line_s FROM samples WHERE filter = 'left' AND {inside}")
    ]
    gap_s = max(b - a for a, b in itertools.pairwise(at_s))
    events = [
        (json.loads(body), line_s)
        for body, line_s in site.rows(
            f"SELECT body, line_s FROM events WHERE line_s > {start_s - 3.0} AND line_s < {end_s}"
        )
    ]
    first_s = site.rows("SELECT MIN(line_s) FROM samples")[0][0]
    stall_s = first_s + _WARM_S + number * window_s - 1.0
    raised = [
        t - stall_s
        for e, t in events
        if e.get("alarm") == "flow-stopped" and e["event"] == "raised"
    ]
    cleared = [t for e, t in events if e.get("alarm") == "flow-stopped" and e["event"] == "cleared"]
    paused = [t for e, t in events if e["event"] == "paused"]
    ended = [t for e, t in events if e["event"] == "pause-ended"]
    pause_s = ended[0] - paused[0] if len(paused) == len(ended) == 1 else float("nan")
    low, high = _RAISED_AFTER_S
    met = (
        gap_s <= control.allowed_gap_s
        and len(raised) == len(cleared) == 1
        and low <= raised[0] <= high
        and _PAUSE_S - 1.1 <= pause_s <= _PAUSE_S + 1.1
        and window_s - 4 <= window.chores <= window_s + 2
        and window.growth_mb <= _MOST_GROWTH_MB
    )
    after = ", ".join(f"{s:.1f} s" for s in raised) or "never"
    return Row(
        f"clock set by {window.step}",
        f"longest gap {gap_s:.2f} s ({control.longest_gap_s:.2f} s for a bare loop); alarm after {after}, cleared {len(cleared)}; pause of "
        f"{_PAUSE_S:.0f} s took {pause_s:.1f} s; {window.chores} runs of a 1 s chore in "
        f"{window_s - 1:.0f} s; memory +{window.growth_mb:.1f} MB",
        f"no second missed; alarm after {low:.0f} to {high:.0f} s; chores go on; at most "
        f"+{_MOST_GROWTH_MB:.0f} MB",
        met,
    )


def _over_all(site: Site, subscriber: Subscriber) -> Row:
    """The line of time over all steps and a restart with the clock set back, and delivery."""
    line = [
        r[0] for r in site.rows("SELECT line_s FROM samples WHERE filter = 'left' ORDER BY seq")
    ]
    forward = all(a < b for a, b in itertools.pairwise(line))
    runs = len({k.run for k in site.kept()})
    same = until(lambda: all_heard(site, subscriber, 1.0), 20)
    return Row(
        "all steps, then a restart 30 days back",
        f"line goes {'forward only' if forward else 'BACK'} over {len(line)} seconds; "
        f"{len(site.kept())} events of {runs} run(s), received {'all' if same else 'NOT all'}",
        "forward only; received = raised",
        forward and same,
    )
