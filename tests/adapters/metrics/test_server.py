"""Metrics by HTTP: responses follow RFC 9110, and hostile clients are cut off."""

from __future__ import annotations

import http.client
import socket
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from functools import cache
from threading import active_count
from time import monotonic

import pytest
from structlog.testing import capture_logs

from adapters.metrics import server as metrics_server
from adapters.metrics.families import Family
from adapters.metrics.page import CONTENT_TYPE, page
from adapters.metrics.server import MOST_CONNECTIONS, MetricsServer
from config.fields.addresses import Address
from config.files.errors import MetricsError
from tests.support.brokers import free_port
from tests.support.waiting import patience, wait_until

FIGURES = (Family("lullwatt_power_watts", "gauge", "Power.", (({}, 7360.0),), "watts"),)


@cache
def many() -> tuple[Family, ...]:
    """Return figures larger than any buffer between two sockets."""
    samples = tuple(({"n": f"{n:060}"}, 1.0) for n in range(100_000))
    return (Family("lullwatt_many", "gauge", "X.", samples),)


class Serving:
    """A running server, and clients for it."""

    def __init__(self) -> None:
        self.address = Address("127.0.0.1", free_port())
        self.server = MetricsServer(self.address)
        with capture_logs():
            self.server.start()
        self.server.update(FIGURES)
        self._callers = ExitStack()

    def stop(self) -> None:
        self._callers.close()
        self.server.stop()

    def call(self) -> socket.socket:
        caller = socket.create_connection((self.address.host, self.address.port), patience(10))
        return self._callers.enter_context(caller)

    def ask(self, method: str = "GET", target: str = "/metrics") -> tuple[int, bytes, str | None]:
        asking = http.client.HTTPConnection(
            self.address.host, self.address.port, timeout=patience(10)
        )
        try:
            asking.request(method, target)
            answer = asking.getresponse()
            return answer.status, answer.read(), answer.getheader("Content-Type")
        finally:
            asking.close()


@pytest.fixture
def serving(monkeypatch: pytest.MonkeyPatch) -> Iterator[Serving]:
    # None may end by its time before the test is done, however long that takes.
    monkeypatch.setattr(metrics_server, "MOST_SECONDS", 1_000.0)
    made = Serving()
    yield made
    made.stop()


def ends(caller: socket.socket) -> bytes:
    """Read until the other side closes or resets the connection."""
    heard = b""
    try:
        while piece := caller.recv(65536):
            heard += piece
    except ConnectionError:
        pass
    return heard


def test_the_latest_metrics_are_served(serving: Serving) -> None:
    """They have the type of OpenMetrics, and follow each update."""
    assert serving.ask() == (200, page(FIGURES), CONTENT_TYPE)
    assert serving.ask(target="/metrics?name=x")[0] == 200
    serving.server.update(())
    assert serving.ask() == (200, b"# EOF\n", CONTENT_TYPE)


@pytest.mark.parametrize(
    ("method", "target", "status"),
    [("GET", "/", 404), ("GET", "/metrics/", 404), ("POST", "/metrics", 405), ("HEAD", "/x", 404)],
)
def test_nothing_else_is_served(serving: Serving, method: str, target: str, status: int) -> None:
    """There is one page, for reading only."""
    assert serving.ask(method, target)[:2] == (status, b"")


def test_head_has_no_body(serving: Serving) -> None:
    """The same head as GET, and its length (RFC 9110, section 9.3.2)."""
    caller = serving.call()
    caller.sendall(b"HEAD /metrics HTTP/1.1\r\nHost: x\r\n\r\n")
    head = ends(caller)
    assert head.endswith(b"\r\n\r\n")
    assert b"Content-Length: %d\r\n" % len(page(FIGURES)) in head


@pytest.mark.parametrize("sent", [b"\r\n\r\n", b"GET /metrics\r\n\r\n", b"\x16\x03\x01\0\r\n\r\n"])
def test_a_malformed_request_is_refused(serving: Serving, sent: bytes) -> None:
    """The response is 400, and the next request is served."""
    caller = serving.call()
    caller.sendall(sent)
    assert ends(caller).startswith(b"HTTP/1.1 400 ")
    assert serving.ask()[0] == 200


def test_a_huge_request_is_not_read(serving: Serving) -> None:
    """A header without an end is cut off after a few kilobytes."""
    caller = serving.call()
    with pytest.raises(ConnectionError):
        caller.sendall(b"GET /metrics HTTP/1.1\r\nX: " + b"x" * 100_000_000)
    assert serving.ask()[0] == 200


def test_slow_clients_are_cut_off(serving: Serving, monkeypatch: pytest.MonkeyPatch) -> None:
    """One sends nothing, one sends too slowly, and one does not read the response."""
    monkeypatch.setattr(metrics_server, "MOST_SECONDS", 0.25)
    serving.server.update(many())
    silent, dribbling, deaf = serving.call(), serving.call(), serving.call()
    with suppress(ConnectionError):  # on a busy machine it is too late already
        dribbling.sendall(b"GET /met")
        deaf.sendall(b"GET /metrics HTTP/1.1\r\n\r\n")
    assert ends(silent) == b""
    assert ends(dribbling) == b""
    wait_until(lambda: len(serving.server._open) == 0, what="all are gone")
    assert len(ends(deaf)) < len(page(many()))


def test_connections_are_limited(serving: Serving) -> None:
    """At most eight at a time: open files do not grow with the number of clients."""
    threads = active_count()
    crowd = [serving.call() for _ in range(20 * MOST_CONNECTIONS)]
    wait_until(lambda: len(serving.server._open) == MOST_CONNECTIONS, what="eight are in")
    assert active_count() == threads
    assert ends(crowd[-1]) == b"", "the last is turned away at once"
    for caller in crowd:
        caller.close()
    wait_until(lambda: len(serving.server._open) == 0, what="the eight are gone too")
    assert serving.ask()[0] == 200


def test_a_crowd_elsewhere_keeps_nobody_out(serving: Serving) -> None:
    """A collector takes the place of one of a stranger's many connections."""
    where = (serving.address.host, serving.address.port)
    with ExitStack() as leaving:
        for _ in range(3 * MOST_CONNECTIONS):
            stranger = socket.create_connection(where, patience(10), ("127.0.0.2", 0))
            leaving.enter_context(stranger)
        wait_until(lambda: len(serving.server._open) == MOST_CONNECTIONS, what="eight are in")
        assert [serving.ask()[0] for _ in range(10)] == [200] * 10


def test_an_update_takes_no_time(serving: Serving) -> None:
    """The daemon's loop does not wait for clients."""
    serving.server.update(many())
    serving.call().sendall(b"GET /metrics HTTP/1.1\r\n\r\n")
    begun = monotonic()
    for _ in range(1000):
        serving.server.update(FIGURES)
    assert monotonic() - begun < patience(20)  # the client would be waited for much longer


def test_it_stops_during_a_response(serving: Serving) -> None:
    """It stops at once, and the client is cut off."""
    caller = serving.call()
    wait_until(lambda: len(serving.server._open) == 1, what="a response in progress")
    serving.server.stop()
    assert ends(caller) == b""
    assert not serving.server._thread.is_alive()


def test_a_port_in_use_is_reported() -> None:
    """The error has one line, and nothing is left running."""
    threads = active_count()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        server = MetricsServer(Address("127.0.0.1", port))
        with pytest.raises(MetricsError, match=f"can't be served at 127.0.0.1:{port}: "):
            server.start()
    assert active_count() == threads
