"""Servers of prices on free loopback ports, whose answers a test scripts."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Event, Thread

from typing_extensions import override

from tests.support.certificates import Signed


@dataclass
class Exchange:
    """One request, and what writes the reply."""

    path: str
    headers: dict[str, str]
    handler: BaseHTTPRequestHandler
    closing: Event

    def reply(self, body: bytes | str = b"", status: int = 200, **headers: str) -> None:
        """Send a whole reply; underscores in the names of headers become hyphens."""
        raw = body.encode() if isinstance(body, str) else body
        self.begin(status, Content_Length=str(len(raw)), **headers)
        self.handler.wfile.write(raw)

    def begin(self, status: int = 200, **headers: str) -> None:
        """Send a status and headers."""
        self.handler.send_response(status)
        for name, value in headers.items():
            self.handler.send_header(name.replace("_", "-"), value)
        self.handler.end_headers()


@dataclass
class PriceServer:
    """A running server; it counts what it is asked."""

    url: str
    asked: list[Exchange] = field(default_factory=list)


@contextmanager
def price_server(
    answer: Callable[[Exchange], None], signed: Signed | None = None
) -> Iterator[PriceServer]:
    """Run a server, with TLS if it has a certificate."""
    closing = Event()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            exchange = Exchange(self.path, dict(self.headers), self, closing)
            server.asked.append(exchange)
            try:
                answer(exchange)
            except OSError:
                self.close_connection = True

        @override
        def log_message(self, *_arguments: object) -> None:
            """Print nothing."""

    class Quiet(ThreadingHTTPServer):
        daemon_threads = True

        @override
        def handle_error(self, *_arguments: object) -> None:
            """Print nothing: a client that hangs up is what some tests are about."""

    web = Quiet(("127.0.0.1", 0), Handler)
    if signed is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(signed.certificate, signed.key)
        web.socket = context.wrap_socket(
            web.socket, server_side=True, do_handshake_on_connect=False
        )
    scheme = "http" if signed is None else "https"
    server = PriceServer(f"{scheme}://127.0.0.1:{web.server_port}")
    thread = Thread(target=web.serve_forever, args=(0.01,), daemon=True)
    thread.start()
    try:
        yield server
    finally:
        closing.set()
        web.shutdown()
        web.server_close()
        thread.join(10)
