"""The web server keeps its limits against strangers, and passes everything else on."""

from __future__ import annotations

import asyncio
import http.client
import socket
import struct
from typing import TYPE_CHECKING

import pytest
from structlog.testing import capture_logs

from adapters.host.serving_thread import ServingThread
from adapters.web import server as web_server
from adapters.web.exchange import EventStream, WebRequest, WebResponse, event_text
from adapters.web.server import FORM, MOST_BODY_BYTES, WebServer
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator

HEADERS = {"X-Every": "response"}
PLAIN = "text/plain"


class Serving:
    """A running server that shows what it was asked for."""

    def __init__(self) -> None:
        self.asked: list[WebRequest] = []
        self.left: list[str] = []
        self.server = WebServer(self._respond, HEADERS)
        self._thread = ServingThread("page", self._serve)
        self.port = self._thread.start(patience(10))

    async def _serve(self, stopping: asyncio.Event, listening: Callable[[int], None]) -> None:
        await self.server.serve("127.0.0.1", 0, None, stopping, listening)

    async def _respond(self, request: WebRequest) -> WebResponse | EventStream:
        self.asked.append(request)
        if request.path == "/fault":
            raise ValueError("secret")
        if request.path == "/stream":
            return EventStream(self._events())
        if request.path == "/faulty-stream":
            return EventStream(self._fault())
        return WebResponse("täk", 201, PLAIN, {"X-Own": "one"})

    async def _events(self) -> AsyncIterator[str]:
        try:
            while True:
                yield event_text("view", "one\ntwo")
                await asyncio.sleep(0)
        finally:
            self.left.append("stream")

    async def _fault(self) -> AsyncIterator[str]:
        yield event_text("view", "")
        raise ValueError("secret")

    def stop(self) -> None:
        self._thread.stop(patience(10))
        assert not self._thread.is_alive()

    def ask(
        self, method: str, target: str, body: bytes | None = None, **headers: str
    ) -> tuple[int, str, http.client.HTTPMessage]:
        asking = http.client.HTTPConnection("127.0.0.1", self.port, timeout=patience(10))
        try:
            named = {name.replace("_", "-"): value for name, value in headers.items()}
            asking.request(method, target, body, named)
            answer = asking.getresponse()
            return answer.status, answer.read().decode(), answer.headers
        finally:
            asking.close()


@pytest.fixture
def serving() -> Iterator[Serving]:
    running = Serving()
    yield running
    running.stop()


def test_a_request_and_its_response(serving: Serving) -> None:
    """Path, query, form, cookies and headers are read; every response has the fixed headers."""
    status, text, headers = serving.ask(
        "POST",
        "/a%20b?x=2",
        b"kind=no&kind=now&percent=%C3%A4",
        Content_Type=FORM,
        Cookie="device=t",
    )
    assert (status, text, headers["X-Own"], headers["X-Every"]) == (201, "täk", "one", "response")
    assert headers["Content-Type"] == "text/plain; charset=utf-8"
    assert "Server" not in headers
    [asked] = serving.asked
    assert (asked.method, asked.path, asked.query) == ("POST", "/a b", {"x": "2"})
    assert (asked.form, asked.cookies) == ({"kind": "now", "percent": "ä"}, {"device": "t"})
    assert (asked.address, asked.headers["host"]) == ("127.0.0.1", f"127.0.0.1:{serving.port}")


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"x" * (MOST_BODY_BYTES + 1), FORM, 413),
        (b"x=1", "multipart/form-data; boundary=x", 415),
        (b"x=1", "application/json", 415),
        (b"\xff", FORM, 400),
        (b"&".join(b"a%d=1" % number for number in range(51)), FORM, 400),
    ],
)
def test_bodies_that_are_refused(serving: Serving, body: bytes, kind: str, status: int) -> None:
    """Only short forms are read; the rest reaches nobody."""
    answer = serving.ask("POST", "/", body, Content_Type=kind)
    assert (answer[0], serving.asked) == (status, [])
    assert answer[2]["X-Every"] == "response"


@pytest.mark.parametrize("target", ["http://evil.example/", "*", "/\x01", "/" + "x" * 10_000])
def test_targets_that_are_refused(
    serving: Serving, target: str, caplog: pytest.LogCaptureFixture
) -> None:
    """A browser sends a path; another host's name beside it, or no path at all, reaches nobody.

    Nobody can fill the log by that.
    """
    with socket.create_connection(("127.0.0.1", serving.port), patience(10)) as caller:
        caller.sendall(f"GET {target} HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n".encode())
        assert caller.recv(12)[8:] == b" 400"
    assert (serving.asked, caplog.records) == ([], [])


def test_a_body_that_does_not_come(serving: Serving, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is waited for, but not for long."""
    monkeypatch.setattr(web_server, "MOST_BODY_SECONDS", 0.05)
    with socket.create_connection(("127.0.0.1", serving.port), patience(10)) as caller:
        caller.sendall(
            b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 9\r\nContent-Type: "
            + FORM.encode() + b"\r\n\r\nx"
        )  # fmt: skip
        assert b" 408 " in caller.recv(4096)
    assert serving.asked == []


def test_a_fault_shows_nothing(serving: Serving) -> None:
    """The log has it, the browser only a sentence; the next request is answered."""
    with capture_logs() as logs:
        status, text, _ = serving.ask("GET", "/fault")
    assert (status, text) == (500, "The page has a fault. Its log says more.\n")
    assert [entry["path"] for entry in logs] == ["/fault"]
    assert serving.ask("GET", "/")[0] == 201


def test_a_fault_in_a_stream_ends_it(serving: Serving) -> None:
    """What was sent before arrives; the log has the fault."""
    with capture_logs() as logs:
        _, text, _ = serving.ask("GET", "/faulty-stream")
    assert text == "event: view\ndata: \n\n"
    assert [entry["path"] for entry in logs] == ["/faulty-stream"]


def test_browsers_that_leave_at_once(serving: Serving, caplog: pytest.LogCaptureFixture) -> None:
    """They are no fault, and nobody can fill the log by that."""
    with capture_logs() as logs:
        for _ in range(20):
            with socket.create_connection(("127.0.0.1", serving.port), patience(10)) as caller:
                caller.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                caller.sendall(b"GET /stream HTTP/1.1\r\nHost: a\r\n\r\n")
        assert serving.ask("GET", "/")[0] == 201
        wait_until(lambda: not serving.server._streams, what="all have left")
    assert (logs, caplog.records) == ([], [])


def test_only_the_head_of_a_stream(serving: Serving) -> None:
    """It is no stream, and so takes no place."""
    status, text, headers = serving.ask("HEAD", "/stream")
    assert (status, text) == (200, "")
    assert headers["Content-Type"].startswith("text/event-stream")


def test_a_stream_ends_with_its_browser(serving: Serving, monkeypatch: pytest.MonkeyPatch) -> None:
    """One stream too many is refused; once the browser has left, there is room again."""
    monkeypatch.setattr(web_server, "MOST_STREAMS", 1)
    with socket.create_connection(("127.0.0.1", serving.port), patience(10)) as caller:
        caller.sendall(b"GET /stream HTTP/1.1\r\nHost: a\r\n\r\n")
        got = b""
        while b"data: two\n\n" not in got:
            got += caller.recv(4096)
        assert b"event: view\ndata: one\ndata: two\n\n" in got
        assert serving.ask("GET", "/stream")[0] == 503
    wait_until(lambda: serving.left, what="the stream ends")
