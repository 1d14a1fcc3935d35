"""A server that closes just after it has accepted a connection leaves no socket open."""

from __future__ import annotations

import asyncio
import gc
import socket
import warnings
from asyncio import StreamReader, StreamWriter

import pytest

from adapters.host.listening import stop_accepting


async def _hang_up(_reader: StreamReader, writer: StreamWriter) -> None:
    writer.transport.abort()


async def _close_after(steps: int) -> None:
    """Connect to a server, and close it so many steps of the loop later."""
    server = await asyncio.start_server(_hang_up, "127.0.0.1", 0)
    with socket.create_connection(server.sockets[0].getsockname()):
        for _ in range(steps):
            await asyncio.sleep(0)
        await stop_accepting(server.sockets)
        server.close()
        while tasks := asyncio.all_tasks() - {asyncio.current_task()}:
            await asyncio.wait(tasks)
        await asyncio.sleep(0)  # the last connection closes its socket


@pytest.mark.parametrize("steps", range(6))
def test_a_connection_accepted_just_before_is_closed(steps: int) -> None:
    """Without `stop_accepting` the socket of one of these moments stays open."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        asyncio.run(_close_after(steps))
        gc.collect()
    assert [str(each.message) for each in caught] == []
