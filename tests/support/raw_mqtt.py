"""Packets of MQTT 5 as bytes, for crowds of clients that a library would be too heavy for.

Only what such a client sends: CONNECT with a will, PUBLISH at QoS 1 (MQTT 5.0 sections 3.1 and 3.3).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

CONNACK, PUBACK = 0x20, 0x40


def _length(count: int) -> bytes:
    """A variable byte integer, section 1.5.5."""
    found = bytearray()
    while True:
        count, low = divmod(count, 128)
        found.append(low | 0x80 if count else low)
        if not count:
            return bytes(found)


def _text(data: str | bytes) -> bytes:
    data = data.encode() if isinstance(data, str) else data
    return struct.pack("!H", len(data)) + data


def connect(client_id: str, will_topic: str, will: bytes, keepalive_s: int = 60) -> bytes:
    """A clean start with a retained will at QoS 1 and no properties."""
    flags = 0b0010_1110  # will retained, will QoS 1, will, clean start
    body = _text("MQTT") + bytes([5, flags]) + struct.pack("!H", keepalive_s) + b"\0"
    body += _text(client_id) + b"\0" + _text(will_topic) + _text(will)
    return b"\x10" + _length(len(body)) + body


def publish(topic: str, payload: bytes, retain: bool, mid: int) -> bytes:
    """At QoS 1, no properties."""
    body = _text(topic) + struct.pack("!H", mid) + b"\0" + payload
    return bytes([0x32 | retain]) + _length(len(body)) + body


def packets(buffer: bytearray) -> Iterator[tuple[int, bytes]]:
    """Take whole packets off the front: the kind, and what follows the length."""
    while len(buffer) >= 2:
        length, at = 0, 1
        while at < len(buffer) and buffer[at] & 0x80:
            length |= (buffer[at] & 0x7F) << (7 * (at - 1))
            at += 1
        if at >= len(buffer):
            return
        length |= buffer[at] << (7 * (at - 1))
        end = at + 1 + length
        if len(buffer) < end:
            return
        yield buffer[0] & 0xF0, bytes(buffer[at + 1 : end])
        del buffer[:end]
