"""A backlog of thirty days drained to a real broker, against bare paho with the same payloads.

Samples stay in the journal; what goes out are events. So the backlog is 43,200 events, one a minute for
thirty days: observations, and every hundredth an alarm raised or cleared. The reference publishes the
very same bytes at QoS 1 to the same broker, with as many messages in flight as ours ever has, and waits
for every acknowledgement. Both run three times in turn; the median of the ratios counts.
"""

from __future__ import annotations

import statistics
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.delivery import payloads
from monitor.delivery.dispatcher import Dispatcher
from monitor.delivery.mqtt import IN_FLIGHT, BrokerAddress
from monitor.delivery.mqtt_sink import MqttSink
from monitor.delivery.topics import Topics
from monitor.journal.store import Journal
from monitor.records import AlarmKind, Cause, CleanBasis, Event, EventKind, Moment
from monitor.runtime.backoff import Backoff
from tests.bench.figure import Figure
from tests.conftest import Mosquitto

ROWS = 30 * 1440
ROUNDS = 3
TARGET = 0.5
_GIVE_UP_S = 300.0
_SINK = "mqtt"


def measure() -> list[Figure]:
    """Fill a journal, then drain it in turn with ours and with bare paho."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder)
        broker.start()
        journal = Journal(folder / "state")
        topics = Topics("canister", "bench")
        bodies = _filled(journal, topics)
        ours, bare = [], []
        for _ in range(ROUNDS):
            bare.append(len(bodies) / _bare_s(broker.port, topics.events, bodies))
            journal.move_cursor(_SINK, 0)
            ours.append(len(bodies) / _ours_s(broker.port, topics, journal))
        journal.close()
        broker.kill()
    ratio = statistics.median(a / b for a, b in zip(ours, bare, strict=True))
    return [
        Figure(
            f"drain of {ROWS:,} events (30 days at one a minute)",
            f"{statistics.median(ours):,.0f} rows/s",
            f"{statistics.median(bare):,.0f} rows/s (bare paho, QoS 1, same window)",
            f"{ratio:.2f}",
            f"{TARGET:g}",
            ratio >= TARGET,
        )
    ]


def _filled(journal: Journal, topics: Topics) -> list[bytes]:
    """Put thirty days of events into the journal; return what is to be published of them."""
    events = [_event(minute) for minute in range(ROWS)]
    for start in range(0, ROWS, 1000):
        now = Moment(60.0 * start, 60.0 * start)
        journal.record(now, events[start : start + 1000])
    return [
        payloads.identified(
            payloads.event(e.event), topics.site, journal.id, e.run, e.seq, False, e.synchronised
        )
        for e in journal.entries_after(0, ROWS)
    ]


def _event(minute: int) -> Event:
    alarm = AlarmKind.FLOW_LOW if minute % 100 == 0 else None
    turned = EventKind.RAISED if minute % 200 == 0 else EventKind.CLEARED
    flow = (700.0 - minute * 0.003) / 3.6e6
    return Event(
        "left", turned if alarm else EventKind.OBSERVED, 60.0 * minute, 1.7e9 + 60.0 * minute, alarm,
        minute // 200, flow, 700.0 / 3.6e6, CleanBasis.MEASURED, 24.9, Cause.FLOW_STEP,
        f"the flow has gone from {flow * 3.6e6 + 9:.0f} to {flow * 3.6e6:.0f} L/h within a minute",
        "nothing to do now",
    )  # fmt: skip


def _ours_s(port: int, topics: Topics, journal: Journal) -> float:
    """Seconds from the first connection until the cursor is past the last row."""
    sink = MqttSink(
        lambda: BrokerAddress("127.0.0.1", port, True, "drain"),
        topics,
        payloads.Run(journal.id, journal.run, 0.0),
        "0",
    )
    done = threading.Event()
    dispatcher = Dispatcher(
        journal, sink, Backoff(), lambda: done.set() if dispatcher.delivered >= ROWS else None
    )
    began = time.perf_counter()
    dispatcher.start()
    if not done.wait(_GIVE_UP_S):
        raise RuntimeError(f"not drained in {_GIVE_UP_S:.0f} s: {dispatcher.health().line}")
    took_s = time.perf_counter() - began
    dispatcher.halt(0.0)
    assert journal.undelivered(_SINK) == 0
    return took_s


def _bare_s(port: int, topic: str, bodies: list[bytes]) -> float:
    """Seconds for paho alone, from before it connects to the last acknowledgement."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=paho.MQTTv5)
    client.max_inflight_messages_set(IN_FLIGHT)
    client.max_queued_messages_set(0)
    connected, done, left = threading.Event(), threading.Event(), [len(bodies)]

    def acknowledged(*_arguments: object) -> None:
        left[0] -= 1
        if not left[0]:
            done.set()

    client.on_connect = lambda *_arguments: connected.set()
    client.on_publish = acknowledged
    began = time.perf_counter()
    client.connect("127.0.0.1", port)
    client.loop_start()
    connected.wait(10)
    for body in bodies:
        client.publish(topic, body, 1)
    if not done.wait(_GIVE_UP_S):
        raise RuntimeError(f"{left[0]} rows unacknowledged after {_GIVE_UP_S:.0f} s")
    took_s = time.perf_counter() - began
    client.disconnect()
    client.loop_stop()
    return took_s
