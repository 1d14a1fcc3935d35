"""What the page hears of the daemon: whether both have the same time."""

from __future__ import annotations

import asyncio
from datetime import timedelta

import pytest

from adapters.bus.events import MessageArrived
from adapters.contract.messages import DaemonState, encode
from adapters.contract.topics import Topics
from daemon.page_service.live_link import LiveLink
from tests.daemon.worlds import EVENING, MINUTE, kowhai

FILE = kowhai().file
TOPIC = Topics.of_file(FILE).daemon


def ahead(payload: bytes, *, retain: bool) -> timedelta:
    async def hear() -> timedelta:
        link = LiveLink(FILE, lambda: EVENING)
        await link._take(MessageArrived(TOPIC, payload, retain, lambda: None))
        return link.report.ahead

    return asyncio.run(hear())


@pytest.mark.parametrize(
    ("minutes", "retain", "seen"), [(7, False, 7), (-7, False, -7), (7, True, 7), (-7, True, 0)]
)
def test_the_daemons_clock(minutes: int, retain: bool, seen: int) -> None:  # noqa: FBT001 - a row
    """A message that was kept by the broker is old, and shows only a clock that is ahead."""
    state = DaemonState(state="online", at=EVENING + minutes * MINUTE)
    assert ahead(encode(state), retain=retain) == seen * MINUTE


@pytest.mark.parametrize("payload", [b"", b"[]", b"\xff", b'{"at": 7}', b'{"at": "now"}'])
def test_a_message_without_an_instant(payload: bytes) -> None:
    """It says nothing about clocks."""
    assert ahead(payload, retain=False) == timedelta()
