"""The daemon is killed without warning, again and again, at random moments of its life.

In each life the rig raises and clears alarms of `left` at known times, and orders are put down for
`right` and for the site. Many lives end while starting, others while an alarm is written or delivered.
"""

from __future__ import annotations

import random
import tempfile
import threading
import time
from pathlib import Path

from monitor.errors import StorageError
from monitor.records import Order
from tests.conftest import Mosquitto, until
from tests.faultrun.row import Row
from tests.faultrun.site import TOPICS, Site, all_heard, heard
from tests.support.subscriber import Subscriber

KILLS = 200
_LANES = 2
# An alarm that stood at the kill is cleared after two seconds of water; then the stalls begin.
_FIRST_STALL_S, _EVERY_S, _STALLS = 3, 4, 4
_FAULTS = tuple(f"stall@{_FIRST_STALL_S + n * _EVERY_S}s+2s" for n in range(_STALLS))
# From the stall to the record: one second of standstill is asked for, seen by ticks of one second, and
# the log line that tells of the start is read late.
_RAISED_WITHIN_S = 3.5
_WHILE_STARTING_S, _LONGEST_S = 1.5, 9.0
_SHARE_STARTING, _SHARE_AIMED = 0.25, 0.25
_AIMED_WITHIN_S = 0.05  # of an event being written: then it is on its way to the broker


class _Lane:
    """One site with a broker and a subscriber of its own."""

    def __init__(self, folder: Path, kills: int, seed: int) -> None:
        self.kills = kills
        self.draw = random.Random(seed)
        broker_folder = folder / "broker"
        broker_folder.mkdir(parents=True)
        self.broker = Mosquitto(broker_folder)
        self.broker.start()
        self.subscriber = Subscriber(folder, self.broker.port, f"{TOPICS}/events")
        self.site = Site(folder, self.broker.port, _FAULTS)
        self.orders = 0
        self.due_and_missing = 0
        self.due = 0
        self.trouble: BaseException | None = None

    def run(self) -> None:
        try:
            self._run()
        except BaseException as error:
            self.trouble = error

    def _run(self) -> None:
        for _ in range(self.kills):
            self._one_life()
        self.site.start()
        time.sleep(_FIRST_STALL_S + _RAISED_WITHIN_S)
        assert self.site.drained(60), self.site.text[-2000:]
        assert self.site.stop() == 0, self.site.text[-2000:]

    def _one_life(self) -> None:
        kind = self.draw.random()
        if kind < _SHARE_STARTING:
            self.site.start(wait=False)
            time.sleep(self.draw.uniform(0.0, _WHILE_STARTING_S))
            self.site.kill()
            return
        self.site.start()
        began = time.monotonic()
        life_s = self.draw.uniform(0.0, _LONGEST_S)
        time.sleep(self.draw.uniform(0.0, life_s))
        if kind < _SHARE_STARTING + _SHARE_AIMED:
            told = self.site.witnessed_bytes()
            self._ask()
            until(lambda: self.site.witnessed_bytes() > told, 3.0, 0.002)
            time.sleep(self.draw.uniform(0.0, _AIMED_WITHIN_S))
        else:
            self._ask()
            time.sleep(max(0.0, began + life_s - time.monotonic()))
        lived_s = time.monotonic() - began
        self.site.kill()
        due = sum(
            lived_s >= _FIRST_STALL_S + n * _EVERY_S + _RAISED_WITHIN_S for n in range(_STALLS)
        )
        run = self.site.rows("SELECT run FROM events ORDER BY seq DESC LIMIT 1")
        raised = self.site.rows(
            f"SELECT COUNT(*) FROM events WHERE run = '{run[0][0] if run else ''}' "
            "AND filter = 'left' AND body LIKE '%\"event\":\"raised\"%flow-stopped%'"
        )[0][0]
        self.due += due
        self.due_and_missing += max(0, due - raised)

    def _ask(self) -> None:
        order = self.draw.choice(
            [
                Order("maintenance", "right", 10.0),
                Order("cleaned", "right"),
                Order("test-alarm", ""),
            ]
        )
        try:
            self.site.order(order)
        except StorageError:
            return  # not acknowledged, so nothing is owed
        self.orders += 1

    def close(self) -> None:
        self.site.kill()
        self.subscriber.stop()
        self.broker.kill()


def measure(kills: int = KILLS, seed: int = 1) -> list[Row]:
    """Kill the daemon this often, in two sites side by side, and compare the accounts."""
    with tempfile.TemporaryDirectory() as name:
        lanes = [_Lane(Path(name) / f"lane{n}", kills // _LANES, seed + n) for n in range(_LANES)]
        try:
            threads = [threading.Thread(target=lane.run) for lane in lanes]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            for lane in lanes:
                if lane.trouble is not None:
                    raise lane.trouble
            return _judged(lanes)
        finally:
            for lane in lanes:
                lane.close()


def _judged(lanes: list[_Lane]) -> list[Row]:
    same = all(all_heard(lane.site, lane.subscriber) for lane in lanes)
    ears = [heard(lane.subscriber) for lane in lanes]
    kept = [lane.site.kept() for lane in lanes]
    gone = sum(len(lane.site.acknowledged_and_gone()) for lane in lanes)
    gone += sum(lane.site.samples_acknowledged_and_gone() for lane in lanes)
    acknowledged = sum(lane.site.acknowledged() for lane in lanes)
    kills = sum(lane.kills for lane in lanes)
    alarms = sum(k.event == "raised" for of_lane in kept for k in of_lane)
    due, missing = sum(x.due for x in lanes), sum(x.due_and_missing for x in lanes)
    put = sum(lane.orders for lane in lanes)
    done = sum(
        lane.site.rows("SELECT COUNT(*) FROM orders WHERE answer LIKE 'done%'")[0][0]
        for lane in lanes
    )
    verdicts = {lane.site.integrity() for lane in lanes}
    fault = f"kill -9 at {kills} random moments"
    return [
        Row(
            fault,
            f"{sum(len(e.ids) for e in ears)} ids received, {sum(e.repeats for e in ears)} repeats, "
            f"of {sum(map(len, kept))} raised",
            "received without repeats = raised, in order",
            same and all(e.in_order for e in ears) and alarms > 0,
        ),
        Row(
            fault,
            f"{due - missing} of {due} alarms that a life was long enough for",
            "each is on record",
            missing == 0 and (due > 0 or kills < KILLS),
        ),
        Row(fault, f"{gone} of {acknowledged} acknowledged rows gone", "none", gone == 0),
        Row(fault, f"{done} of {put} orders carried out", "all", done == put and put > 0),
        Row(fault, f"integrity_check: {', '.join(verdicts)}", "ok", verdicts == {"ok"}),
    ]
