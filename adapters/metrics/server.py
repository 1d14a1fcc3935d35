"""Serve metrics by HTTP (RFC 9110, RFC 9112), on a separate thread.

Every client gets the latest metrics. Slow clients, long requests and too many connections are cut
off.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import TYPE_CHECKING, Final

import structlog

from adapters.host.limited_listening import Connections, listen
from adapters.host.listening import stop_accepting
from adapters.host.serving_thread import ServingThread
from adapters.metrics.page import CONTENT_TYPE, page
from config.files.errors import MetricsError

if TYPE_CHECKING:
    from asyncio import StreamReader, StreamWriter
    from collections.abc import Callable, Iterable

    from adapters.metrics.families import Family
    from config.fields.addresses import Address

PATH: Final = "/metrics"
MOST_CONNECTIONS: Final = 8
"""Further ones are refused, unless another address has more; each may last a few seconds."""
MOST_REQUEST_BYTES: Final = 8192
MOST_SECONDS: Final = 5.0
"""For one request and its response."""
_END_SECONDS: Final = 10.0

_log = structlog.get_logger(__name__)


class MetricsServer:
    """Answers HTTP requests with the latest metrics.

    Parameters
    ----------
    address : Address
        Where to listen.
    """

    def __init__(self, address: Address) -> None:
        self._address = address
        self._latest: tuple[Family, ...] = ()
        self._written: tuple[tuple[Family, ...], bytes] | None = None
        self._open: set[StreamWriter] = set()
        self._stopping = False
        self._thread = ServingThread("metrics", self._serve)

    def start(self) -> None:
        """Start listening.

        Raises
        ------
        MetricsError
            If the address can't be listened on.
        """
        try:
            self._thread.start()
        except OSError as error:
            where = f"{self._address.host}:{self._address.port}"
            raise MetricsError(
                f"metrics can't be served at {where}: {error.strerror or error}"
            ) from error
        _log.info("metrics are served", at=f"{self._address.host}:{self._address.port}")

    def update(self, families: Iterable[Family]) -> None:
        """Answer with these from now on; returns at once."""
        self._latest = tuple(families)

    def stop(self) -> None:
        """Stop listening, and cut off responses in progress."""
        self._thread.stop(_END_SECONDS)

    async def _serve(self, stopping: asyncio.Event, listening: Callable[[int], None]) -> None:
        connections = Connections(MOST_CONNECTIONS, keeps_older=True)
        sockets = listen(self._address.host, self._address.port, connections)
        servers = [
            await asyncio.start_server(self._accept, sock=each, limit=MOST_REQUEST_BYTES)
            for each in sockets
        ]
        listening(self._address.port)
        await stopping.wait()
        self._stopping = True
        await stop_accepting(sockets)
        for server in servers:
            server.close()
        # The tasks end with their connections. A cancelled one would print a traceback.
        while tasks := asyncio.all_tasks() - {asyncio.current_task()}:
            for writer in self._open:
                writer.transport.abort()
            await asyncio.wait(tasks)

    async def _accept(self, reader: StreamReader, writer: StreamWriter) -> None:
        try:
            if not self._stopping:
                self._open.add(writer)
                with suppress(OSError, TimeoutError, EOFError):
                    async with asyncio.timeout(MOST_SECONDS):
                        await self._respond(reader, writer)
        finally:
            self._open.discard(writer)
            writer.transport.abort()
            with suppress(OSError):
                await writer.wait_closed()

    async def _respond(self, reader: StreamReader, writer: StreamWriter) -> None:
        try:
            head = await reader.readuntil(b"\r\n\r\n")
        except asyncio.LimitOverrunError:
            response = _response("431 Request Header Fields Too Large")
        else:
            response = self._response_to(head)
        writer.write(response)
        await writer.drain()
        writer.write_eof()
        await reader.read(1)  # until the client has received all of it and closes

    def _response_to(self, head: bytes) -> bytes:
        words = head.split(b"\r\n", 1)[0].decode("latin-1").split(" ")
        if len(words) != 3 or not words[2].startswith("HTTP/1."):  # noqa: PLR2004 - method, target, version
            return _response("400 Bad Request")
        method, target, _ = words
        if target.partition("?")[0] != PATH:
            return _response("404 Not Found")
        if method not in {"GET", "HEAD"}:
            return _response("405 Method Not Allowed", "Allow: GET, HEAD")
        text = self._page()
        return _response("200 OK", f"Content-Type: {CONTENT_TYPE}", body=text, send=method == "GET")

    def _page(self) -> bytes:
        """Return the latest metrics as text, written only once for all clients."""
        latest = self._latest
        if self._written is None or self._written[0] is not latest:
            self._written = latest, page(latest)
        return self._written[1]


def _response(status: str, *headers: str, body: bytes = b"", send: bool = True) -> bytes:
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", "Connection: close", *headers]
    return "\r\n".join([*lines, "", ""]).encode() + (body if send else b"")
