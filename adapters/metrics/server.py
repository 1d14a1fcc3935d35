"""Figures by HTTP, on a thread of its own with an event loop of its own (RFC 9110, RFC 9112).

Whoever asks gets the newest page; who is slow, sends much or comes in numbers is shown the door.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from threading import Thread
from typing import TYPE_CHECKING, Final

import structlog

from adapters.metrics.page import CONTENT_TYPE, page
from config.files.errors import MetricsError

if TYPE_CHECKING:
    from asyncio import StreamReader, StreamWriter
    from collections.abc import Iterable

    from adapters.metrics.families import Family
    from config.fields.addresses import Address

PATH: Final = "/metrics"
MOST_CONNECTIONS: Final = 8
"""Beyond them nobody is let in; each may stay for a few seconds."""
MOST_REQUEST_BYTES: Final = 8192
MOST_SECONDS: Final = 5.0
"""From the first byte to the last."""
_END_SECONDS: Final = 10.0

_log = structlog.get_logger(__name__)


class MetricsServer:
    """Answers requests for the newest figures.

    Parameters
    ----------
    address : Address
        Where to listen.
    """

    def __init__(self, address: Address) -> None:
        self._address = address
        self._newest: tuple[Family, ...] = ()
        self._written: tuple[tuple[Family, ...], bytes] | None = None
        self._open = 0
        self._server: asyncio.Server | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: Thread | None = None

    def start(self) -> None:
        """Begin to listen.

        Raises
        ------
        MetricsError
            If the address can't be listened on.
        """
        self._loop = loop = asyncio.new_event_loop()
        self._thread = Thread(target=loop.run_forever, name="metrics", daemon=True)
        self._thread.start()
        try:
            asyncio.run_coroutine_threadsafe(self._listen(), loop).result()
        except OSError as error:
            self.stop()
            where = f"{self._address.host}:{self._address.port}"
            raise MetricsError(
                f"metrics can't be given out at {where}: {error.strerror or error}"
            ) from error
        _log.info("metrics are given out", at=f"{self._address.host}:{self._address.port}")

    def tell(self, families: Iterable[Family]) -> None:
        """Answer with these from now on; returns at once."""
        self._newest = tuple(families)

    def stop(self) -> None:
        """Listen no more; who is being answered is cut off."""
        loop, thread, self._loop = self._loop, self._thread, None
        if loop is None or thread is None:
            return
        asyncio.run_coroutine_threadsafe(self._end_all(), loop).result(_END_SECONDS)
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()

    async def _listen(self) -> None:
        self._server = await asyncio.start_server(
            self._meet, self._address.host, self._address.port, limit=MOST_REQUEST_BYTES
        )

    async def _end_all(self) -> None:
        if self._server is not None:
            self._server.close()
        await asyncio.sleep(0)  # who has just come must be inside to be shown out
        while others := asyncio.all_tasks() - {asyncio.current_task()}:
            for task in others:
                task.cancel()
            await asyncio.gather(*others, return_exceptions=True)
        await asyncio.sleep(0)  # until their sockets are closed

    async def _meet(self, reader: StreamReader, writer: StreamWriter) -> None:
        if self._open >= MOST_CONNECTIONS:
            writer.transport.abort()
            return
        self._open += 1
        try:
            with suppress(OSError, TimeoutError, EOFError):
                async with asyncio.timeout(MOST_SECONDS):
                    await self._talk(reader, writer)
        finally:
            self._open -= 1
            writer.transport.abort()

    async def _talk(self, reader: StreamReader, writer: StreamWriter) -> None:
        try:
            head = await reader.readuntil(b"\r\n\r\n")
        except asyncio.LimitOverrunError:
            answer = _answer("431 Request Header Fields Too Large")
        else:
            answer = self._answer_to(head)
        writer.write(answer)
        await writer.drain()
        writer.write_eof()
        await reader.read(1)  # until the other side has all of it and hangs up

    def _answer_to(self, head: bytes) -> bytes:
        words = head.split(b"\r\n", 1)[0].decode("latin-1").split(" ")
        if len(words) != 3 or not words[2].startswith("HTTP/1."):  # noqa: PLR2004 - method, target, version
            return _answer("400 Bad Request")
        method, target, _ = words
        if target.partition("?")[0] != PATH:
            return _answer("404 Not Found")
        if method not in {"GET", "HEAD"}:
            return _answer("405 Method Not Allowed", "Allow: GET, HEAD")
        text = self._page()
        return _answer("200 OK", f"Content-Type: {CONTENT_TYPE}", body=text, send=method == "GET")

    def _page(self) -> bytes:
        """Write the newest figures once, however many ask for them."""
        newest = self._newest
        if self._written is None or self._written[0] is not newest:
            self._written = newest, page(newest)
        return self._written[1]


def _answer(status: str, *headers: str, body: bytes = b"", send: bool = True) -> bytes:
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", "Connection: close", *headers]
    return "\r\n".join([*lines, "", ""]).encode() + (body if send else b"")
