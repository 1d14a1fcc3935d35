"""A process that floods a broker, written from OASIS MQTT 3.1.1 and not from our own client.

Run as ``python -m tests.floods.flooder PORT BASE KIND RATE SECONDS``; prints how many messages were
sent.
"""

from __future__ import annotations

import socket
import sys
from collections.abc import Callable
from datetime import timedelta
from itertools import count
from os import urandom
from threading import Event, Thread
from time import monotonic
from typing import NamedTuple

from adapters.clocks.clock import SystemClock

_CONNECT = bytes([0x10, 12]) + b"\x00\x04MQTT\x04\x02\x00\x00\x00\x00"
"""CONNECT of MQTT 3.1.1: a clean session, no keepalive, an empty client id."""

_BATCH = 100

Payload = Callable[[int], tuple[str, bytes]]
"""The topic and payload of the n-th message."""

SECOND_DAEMON = "a second daemon"
"""Forged commands, while a second daemon of the same household starts."""

FORGED_SERIAL = 1_000_000_000
"""The first serial of forged commands."""


class Kind(NamedTuple):
    """A kind of flood: its messages, and how they are published."""

    made: Payload
    qos: int = 0
    retain: bool = False


def packet(topic: str, payload: bytes, qos: int, number: int, *, retain: bool = False) -> bytes:
    """Write a PUBLISH packet (MQTT 3.1.1, section 3.3)."""
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name
    if qos:
        body += (number % 65_535 + 1).to_bytes(2, "big")
    body += payload
    length, left = b"", len(body)
    while True:
        left, digit = divmod(left, 128)[0], left % 128
        length += bytes([digit | (0x80 if left else 0)])
        if not left:
            break
    return bytes([0x30 | qos << 1 | retain]) + length + body


def kinds(base: str) -> dict[str, Kind]:
    """Return each kind of flood."""
    reading, request = f"{base}/driveway/reading", f"{base}/driveway/request"
    now = SystemClock().now() - timedelta(hours=1)
    garbage, large = urandom(200), bytes(10_000_000)
    odd = ("Driveway", "", " ", "\u202e", "é" * 10_000, "driveway/driveway", "$SYS")

    def valid(number: int) -> tuple[str, bytes]:
        at = (now + timedelta(milliseconds=number)).isoformat()
        return reading, b'{"v":1,"at":"%s","register_kwh":1000.0,"watts":0}' % at.encode()

    def asked(number: int) -> tuple[str, bytes]:
        soc = 50 + number % 3 / 10
        return request, b'{"v":1,"id":"flood-%d","soc_percent":%.1f}' % (number, soc)

    def state(number: int) -> tuple[str, bytes]:
        return f"{base}/daemon", b'{"v":1,"state":"offline","n":%d}' % number

    def command(number: int) -> tuple[str, bytes]:
        # Few on the topic itself: the flood is for the daemon, not for the charge point.
        leaf = ("plan", "status", "night", "alert")[number % 4] if number % 100 else "command"
        body = b'{"v":1,"serial":%d,"do":"start","amps":32,"why":"forged",' % (
            FORGED_SERIAL + number
        )
        return f"{base}/driveway/{leaf}", body + b'"valid_until":"2099-01-01T00:00:00Z"}'

    return {
        "garbage": Kind(lambda _: (reading, garbage)),
        "unknown topics": Kind(lambda number: (f"{base}/p{number}/reading", b"{}")),
        "odd topics": Kind(lambda number: (f"{base}/{odd[number % len(odd)]}/reading", b"{}")),
        "valid readings, QoS 0": Kind(valid),
        "valid readings, QoS 1": Kind(valid, qos=1),
        "requests": Kind(asked),
        "10 MB": Kind(lambda _: (reading, large)),
        "forged daemon states": Kind(state),
        "forged retained states": Kind(state, retain=True),
        "forged commands": Kind(command, retain=True),
        SECOND_DAEMON: Kind(command, retain=True),
    }


def flood(port: int, base: str, kind: str, rate: float, seconds: float) -> int:
    """Send messages at a rate, or as fast as the broker takes them; return how many."""
    made, qos, retain = kinds(base)[kind]
    with socket.create_connection(("127.0.0.1", port)) as connection:
        connection.sendall(_CONNECT)
        connection.recv(4)
        Thread(target=_discard, args=[connection], daemon=True).start()
        begin, numbers, sent = monotonic(), count(), 0
        batch = 1 if kind == "10 MB" else _BATCH
        while monotonic() - begin < seconds:
            topics = [made(next(numbers)) for _ in range(batch)]
            packets = (
                packet(topic, body, qos, sent + i, retain=retain)
                for i, (topic, body) in enumerate(topics)
            )
            connection.sendall(b"".join(packets))
            sent += batch
            ahead = sent / rate - (monotonic() - begin)
            if ahead > 0:
                Event().wait(ahead)
        return sent


def _discard(connection: socket.socket) -> None:
    try:
        while connection.recv(65_536):
            pass
    except OSError:
        pass


if __name__ == "__main__":
    port_text, base_topic, kind_name, rate_text, seconds_text = sys.argv[1:]
    sent_in_all = flood(
        int(port_text), base_topic, kind_name, float(rate_text), float(seconds_text)
    )
    sys.stdout.write(str(sent_in_all))
