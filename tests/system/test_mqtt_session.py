"""A session of ours against a real broker: what small messages cost, and that a wait is cut short."""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
import time

import pytest

from monitor.delivery.mqtt import BrokerAddress, Message, Session
from tests.conftest import Mosquitto

WILL = Message("test/presence", b"lost", True)


@pytest.fixture
def session(mosquitto: Mosquitto):  # type: ignore[no-untyped-def]
    address = BrokerAddress("127.0.0.1", mosquitto.port, True, "session-test")
    one = Session(address, WILL, lambda: None)
    one.open()
    yield one
    one.close(None)


@pytest.mark.skipif(sys.platform != "linux", reason="delayed acknowledgement is switched on Linux")
def test_a_handful_of_messages_does_not_wait_for_delayed_acknowledgement(session: Session) -> None:
    """RFC 1122 lets an end wait up to 0.5 s; Linux waits 40 ms (tcp(7), TCP_QUICKACK)."""
    handful = [Message("test/events", b"x" * 500) for _ in range(10)]
    took = []
    for _ in range(25):
        began = time.perf_counter()
        assert None not in session.publish(handful, 10.0)
        took.append(time.perf_counter() - began)
    # The first few rounds are quick in any case; a busy machine spoils some of the others.
    assert sorted(took)[8] < 0.03


def test_every_message_gets_its_own_answer_in_order(session: Session) -> None:
    """MQTT 5.0 section 3.4.2.1: 16 is "no matching subscribers", 0 with one."""
    many = [Message("test/events", b"%d" % n) for n in range(300)]
    assert session.publish(many, 20.0) == [16] * 300
    came: list[bytes] = []
    session._client.on_message = session._taking(lambda arrived: came.append(arrived.payload))
    assert session.subscribe("test/#", 10.0)
    assert session.publish(many, 20.0) == [0] * 300
    until = time.monotonic() + 10
    while len(came) < 300 and time.monotonic() < until:
        time.sleep(0.02)
    assert came == [message.payload for message in many]


def test_a_broker_that_dies_ends_the_wait_at_once(mosquitto: Mosquitto, session: Session) -> None:
    """The broker is stopped in its tracks, so that nothing is acknowledged, and then killed."""
    assert mosquitto.process is not None
    os.kill(mosquitto.process.pid, signal.SIGSTOP)
    killer = threading.Timer(1.0, mosquitto.kill)
    killer.start()
    began = time.monotonic()
    assert session.publish([Message("test/events", b"x")] * 3, 20.0) == [None, None, None]
    assert 0.5 < time.monotonic() - began < 10.0
    killer.join()


def test_small_packets_are_sent_at_once(session: Session) -> None:
    connection = session._client.socket()
    assert connection is not None
    assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_who_only_looks_leaves_what_waits_for_the_next(mosquitto: Mosquitto) -> None:
    address = BrokerAddress("127.0.0.1", mosquitto.port, True, "looked-at")
    other = Session(BrokerAddress("127.0.0.1", mosquitto.port, True, "other"), WILL, lambda: None)
    first = Session(address, WILL, lambda: None)
    first.open()
    assert first.subscribe("test/commands", 10.0)
    first.close(None)
    other.open()
    assert other.publish([Message("test/commands", b"waits")], 10.0) == [0]
    look = Session(address, WILL, lambda: None, only_look=True)
    look.open()
    time.sleep(0.5)
    look.close(None)
    came: list[bytes] = []
    last = Session(address, WILL, lambda: None, lambda arrived: came.append(arrived.payload))
    last.open()
    until = time.monotonic() + 10
    while not came and time.monotonic() < until:
        time.sleep(0.02)
    assert came == [b"waits"]
    last.close(None)
    other.close(None)
