"""Serve web pages with aiohttp: limits on sizes, times, connections and streams."""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qsl

import structlog
from aiohttp import web

from adapters.host.limited_listening import Connections, listen, network_of
from adapters.host.listening import stop_accepting
from adapters.web.exchange import EventStream, WebRequest, WebResponse

if TYPE_CHECKING:
    import ssl
    from collections.abc import Awaitable, Callable, Mapping

    Respond = Callable[[WebRequest], Awaitable[WebResponse | EventStream]]

MOST_BODY_BYTES: Final = 16 * 1024
MOST_FIELDS: Final = 50
MOST_BODY_SECONDS: Final = 5.0
MOST_STREAMS: Final = 128
KEEP_ALIVE_SECONDS: Final = 15.0
ENDS_SECONDS: Final = 2.0
FORM: Final = "application/x-www-form-urlencoded"
_EVENTS: Final = "text/event-stream"

QUIET: Final = logging.Logger("web", level=logging.CRITICAL + 1)  # noqa: LOG001 - of no tree
"""aiohttp would log a traceback for every request that is no HTTP: strangers could fill the log."""

_log = structlog.get_logger(__name__)


class WebServer:
    """Passes requests on to a function, and its responses back.

    Parameters
    ----------
    respond
        Answers a request. A fault in it is logged, and the browser gets only a short sentence.
    headers
        Sent with every response.
    connections
        Keeps the limits on connections.
    """

    def __init__(
        self, respond: Respond, headers: Mapping[str, str], connections: Connections | None = None
    ) -> None:
        self._respond = respond
        self._headers = dict(headers)
        self._connections = connections or Connections(keeps_older=False)
        self._streams: set[asyncio.Task[Any]] = set()

    async def serve(
        self,
        host: str,
        port: int,
        tls: ssl.SSLContext | None,
        stopping: asyncio.Event,
        listening: Callable[[int], None],
    ) -> None:
        """Serve until an event is set.

        Parameters
        ----------
        host
            Name or address to listen on.
        port
            TCP port; 0 for any free one.
        tls
            The certificate and key; None to serve in the clear.
        stopping
            Ends the server.
        listening
            Called with the port once it listens.
        """
        app = web.Application(client_max_size=MOST_BODY_BYTES)
        app.router.add_route("*", "/{path:.*}", self._handle)
        app.on_response_prepare.append(self._add_headers)
        runner = web.AppRunner(
            app, access_log=None, keepalive_timeout=KEEP_ALIVE_SECONDS,
            lingering_time=ENDS_SECONDS, shutdown_timeout=ENDS_SECONDS, handle_signals=False,
            logger=QUIET,
        )  # fmt: skip
        await runner.setup()
        sockets = listen(host, port, self._connections)
        for each in sockets:
            await web.SockSite(runner, each, ssl_context=tls).start()
        listening(sockets[0].getsockname()[1])
        await stopping.wait()
        await stop_accepting(sockets)
        for task in self._streams:
            task.cancel()
        await runner.cleanup()
        await self._connections.end(ENDS_SECONDS)

    async def _add_headers(self, _request: web.Request, response: web.StreamResponse) -> None:
        response.headers.update(self._headers)
        response.headers.pop("Server", None)

    async def _handle(self, request: web.Request) -> web.StreamResponse:
        read = await self._read(request)
        if isinstance(read, WebResponse):
            return _plain(read)
        try:
            response = await self._respond(read)
        except Exception:  # noqa: BLE001 - one bad request must not end the page
            _log.exception("a request could not be answered", path=read.path)
            response = WebResponse("The page has a fault. Its log says more.\n", 500, "text/plain")
        if isinstance(response, EventStream) and request.method == "HEAD":
            response = WebResponse(content_type=_EVENTS)
        if isinstance(response, EventStream):
            return await self._stream(request, response)
        if response.is_known:
            self._establish(request)
        return _plain(response)

    async def _read(self, request: web.Request) -> WebRequest | WebResponse:
        """Read a request; or return the refusal of one that is too large, too slow or no form."""
        form: dict[str, str] = {}
        if not request.raw_path.startswith("/"):  # a proxy's form names a host of its own
            return WebResponse("Expected a path.\n", 400, "text/plain")
        if request.body_exists:
            if request.content_type != FORM:
                return WebResponse("Expected a form.\n", 415, "text/plain")
            try:
                async with asyncio.timeout(MOST_BODY_SECONDS):
                    body = await request.read()
                text = body.decode("ascii")
                form = dict(parse_qsl(text, keep_blank_values=True, max_num_fields=MOST_FIELDS))
            except web.HTTPRequestEntityTooLarge:
                return WebResponse("This is too much.\n", 413, "text/plain")
            except TimeoutError:
                return WebResponse("This took too long.\n", 408, "text/plain")
            except ValueError:
                return WebResponse("Expected a form.\n", 400, "text/plain")
        return WebRequest(
            method=request.method,
            path=request.path,
            query=dict(request.query),
            form=form,
            cookies=dict(request.cookies),
            headers={name.lower(): value for name, value in request.headers.items()},
            address=network_of(_peer(request)),
        )

    async def _stream(self, request: web.Request, stream: EventStream) -> web.StreamResponse:
        if len(self._streams) >= MOST_STREAMS:
            return _plain(WebResponse("Too many pages are open.\n", 503, "text/plain"))
        self._establish(request)
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 - a handler always runs in one
        self._streams.add(task)
        response = web.StreamResponse(headers={"Content-Type": _EVENTS})
        try:
            with suppress(ConnectionError):  # the browser has left
                await response.prepare(request)
                async for event in stream.events:
                    await response.write(event.encode())
        except Exception:  # noqa: BLE001 - as above; the browser connects again
            _log.exception("a stream has ended by a fault", path=request.path)
        finally:
            self._streams.discard(task)
        return response

    def _establish(self, request: web.Request) -> None:
        self._connections.establish(_peer(request))


def _peer(request: web.Request) -> tuple[Any, ...]:
    transport = request.transport
    peer = None if transport is None else transport.get_extra_info("peername")
    return peer if isinstance(peer, tuple) else ()


def _plain(response: WebResponse) -> web.Response:
    return web.Response(
        text=response.body,
        status=response.status,
        content_type=response.content_type,
        charset="utf-8",
        headers=dict(response.headers),
    )
