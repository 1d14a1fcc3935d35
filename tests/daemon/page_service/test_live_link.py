"""The daemon's last messages, and that none is missed by whoever follows them."""

from __future__ import annotations

import asyncio

from adapters.bus.events import Connected
from daemon.page_service.live_link import LiveLink
from tests.daemon.worlds import EVENING, kowhai


def test_what_comes_while_a_view_is_made_counts_as_new() -> None:
    """It is not waited for again: without this, a view stayed half a minute behind a wish."""

    async def follow() -> None:
        link = LiveLink(kowhai().file, lambda: EVENING)
        seen = link.version
        await link._take(Connected(protocol="5"))
        await asyncio.wait_for(link.wait_changed(3600.0, seen), 60)

    asyncio.run(follow())
