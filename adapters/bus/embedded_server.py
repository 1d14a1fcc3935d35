"""The asyncio side of the embedded broker: amqtt, and a refusal of MQTT 5.

The only module that imports amqtt (0.11 or later); imported only when a broker is started.
"""

from __future__ import annotations

import asyncio
import logging
from asyncio import StreamReader, StreamWriter
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from amqtt.adapters import StreamWriterAdapter
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig, ListenerType

from adapters.host.listening import stop_accepting

_LISTENER: Final = "default"
_NO_PASSWORDS: Final = "amqtt.plugins.authentication.AnonymousAuthPlugin"

_ENDS_SECONDS: Final = 1.0

_MORE_LENGTH: Final = 0x80  # set in each byte of a packet's length but the last
_NAME_AND_LEVEL_BYTES: Final = 7
_MQTT_5: Final = b"\x00\x04MQTT\x05"
_UNSUPPORTED_VERSION: Final = b"\x20\x03\x00\x84\x00"  # CONNACK of MQTT 5 with reason 0x84


async def serve(
    host: str, port: int, stopping: asyncio.Event, listening: Callable[[int], None]
) -> None:
    """Serve MQTT 3.1.1 until `stopping` is set.

    Parameters
    ----------
    host, port
        Where to listen; port 0 for any free one.
    stopping
        Set to stop serving.
    listening
        Called with the port once clients can connect.
    """
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # noqa: TID251 - to silence it
    # amqtt leaves errors about vanished clients to the loop, which would print them.
    asyncio.get_running_loop().set_exception_handler(lambda _loop, _context: None)
    broker = Broker(
        BrokerConfig(
            listeners={_LISTENER: ListenerConfig(type=ListenerType.EXTERNAL)},
            plugins={_NO_PASSWORDS: {"allow_anonymous": True}},
        )
    )
    await broker.start()
    front_end = _FrontEnd(broker)
    try:
        server = await asyncio.start_server(front_end.serve, host, port)
        listening(server.sockets[0].getsockname()[1])
        await stopping.wait()
        await stop_accepting(server.sockets)
        server.close()
    finally:
        await front_end.close()
        # amqtt may miss the end of one of its own tasks and wait for it for ever.
        with suppress(TimeoutError):
            await asyncio.wait_for(broker.shutdown(), _ENDS_SECONDS)


class _FrontEnd:
    """Refuses an MQTT 5 client as MQTT 5 does: amqtt would leave it waiting."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._serving: dict[asyncio.Task[None], StreamWriter] = {}

    def serve(self, reader: StreamReader, writer: StreamWriter) -> None:
        """Serve one client, in a task that `close` can wait for."""
        task = asyncio.create_task(self._serve(reader, writer))
        self._serving[task] = writer
        task.add_done_callback(self._serving.pop)

    async def close(self) -> None:
        """End all connections and wait up to a second until their sockets are closed."""
        for writer in self._serving.values():
            writer.transport.abort()
        if self._serving:
            await asyncio.wait(self._serving, timeout=_ENDS_SECONDS)

    async def _serve(self, reader: StreamReader, writer: StreamWriter) -> None:
        try:
            await self._hand_over(reader, writer)
        except (OSError, EOFError):
            pass  # the client has gone
        finally:
            writer.transport.abort()
            with suppress(OSError):
                await writer.wait_closed()

    async def _hand_over(self, reader: StreamReader, writer: StreamWriter) -> None:
        start = await _start_of_connect(reader)
        if start.endswith(_MQTT_5):
            writer.write(_UNSUPPORTED_VERSION)
            await writer.drain()
            writer.write_eof()
            await reader.read()  # until the client, having read it, closes
            return
        await self._broker.external_connected(
            _ReplayingReader(start, reader), StreamWriterAdapter(writer), _LISTENER
        )


class _ReplayingReader:
    """A reader for amqtt: first the bytes already read, then the stream."""

    def __init__(self, start: bytes, reader: StreamReader) -> None:
        self._start = start
        self._reader = reader

    async def read(self, n: int = -1) -> bytes:
        if n < 0:
            return await self._reader.read()
        ahead, self._start = self._start[:n], self._start[n:]
        return ahead + await self._reader.readexactly(n - len(ahead))

    def feed_eof(self) -> None:
        self._reader.feed_eof()


async def _start_of_connect(reader: StreamReader) -> bytes:
    """Read the packet's type and length, and the protocol's name and level."""
    start = await reader.readexactly(2)
    while start[-1] & _MORE_LENGTH and len(start) < 5:  # noqa: PLR2004 - a type, four of length
        start += await reader.readexactly(1)
    return start + await reader.readexactly(_NAME_AND_LEVEL_BYTES)
