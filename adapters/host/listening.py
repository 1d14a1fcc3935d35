"""Stop listening without losing a connection that was just accepted."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from socket import socket


async def stop_accepting(listening: Iterable[socket]) -> None:
    """Accept no more connections; to be awaited before the server is closed.

    asyncio makes the transport of an accepted connection one step later. If the server is closed
    between the two, asyncio never closes that connection's socket.

    Parameters
    ----------
    listening : iterable of socket
        The sockets of the server.
    """
    for each in listening:
        asyncio.get_running_loop().remove_reader(each)
    await asyncio.sleep(0)
