"""Asking a real server: what comes back, and every way in which it goes wrong."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from adapters.feeds import client
from adapters.feeds.client import MOST_BYTES, WAITS_SECONDS, Reply, Request, RequestError, ask
from adapters.host.trust import trusting_context
from tests.support.certificates import Authority, Signed
from tests.support.price_servers import Exchange, price_server

KEY = "s3cret-key"


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"), "Home")


@pytest.fixture(scope="module")
def signed(authority: Authority) -> Signed:
    return authority.sign("server")


def asked(
    url: str, authority: Authority | None = None, headers: dict[str, str] | None = None
) -> Reply:
    """Ask without waiting between tries."""
    trusting = partial(trusting_context, authority.certificate if authority else None)
    waits: list[float] = []
    return ask(Request(f"{url}/prices?key={KEY}", headers or {}, trusting), waits.append)


def refused(url: str, authority: Authority | None = None) -> str:
    """Return why there is no answer; no secret stands in it, nor in what caused it."""
    with pytest.raises(RequestError) as caught:
        asked(url, authority)
    assert KEY not in repr(caught.value)
    assert caught.value.__suppress_context__ or caught.value.__context__ is None
    return str(caught.value)


def test_an_answer_over_tls(authority: Authority, signed: Signed) -> None:
    """The server gets path, query and headers; the caller gets the body and the tags."""
    headers = {"Authorization": f"Bearer {KEY}", "Accept-Encoding": "gzip"}

    def answer(exchange: Exchange) -> None:
        exchange.reply(
            gzip.compress(b"[1]"), ETag='"7"', Content_Encoding="gzip",
            Last_Modified="Sun, 29 Nov 2026 12:00:00 GMT",
        )  # fmt: skip

    with price_server(answer, signed) as server:
        reply = asked(server.url, authority, headers)
    [exchange] = server.asked
    assert exchange.path == f"/prices?key={KEY}"
    assert exchange.headers["Authorization"] == f"Bearer {KEY}"
    assert reply.body == b"[1]"
    assert reply.tags == {
        "If-None-Match": '"7"',
        "If-Modified-Since": "Sun, 29 Nov 2026 12:00:00 GMT",
    }


@pytest.mark.parametrize(
    ("after_host", "path"),
    [("", "/"), ("?day=1", "/?day=1"), ("/a//b?c=%2B", "/a//b?c=%2B")],
)
def test_the_path_that_is_asked_for(after_host: str, path: str) -> None:
    """An address may end with its host, or go on with a query at once."""
    with price_server(lambda exchange: exchange.reply("fine")) as server:
        request = Request(f"{server.url}{after_host}", {}, partial(trusting_context, None))
        assert ask(request, print).body == b"fine"
    assert [each.path for each in server.asked] == [path]


def test_an_unknown_authority_gets_nothing(signed: Signed) -> None:
    """A certificate that this machine does not trust ends it: no request is sent, none repeated."""
    with price_server(lambda exchange: exchange.reply("[]"), signed) as server:
        assert refused(server.url).startswith("the certificate of 127.0.0.1 is not trusted (")
    assert server.asked == []


def test_another_name_gets_nothing(authority: Authority, signed: Signed) -> None:
    """The certificate is for 127.0.0.1, not for the name that was asked for."""
    with price_server(lambda exchange: exchange.reply("[]"), signed) as server:
        url = server.url.replace("127.0.0.1", "localhost")
        assert "the certificate of localhost is not trusted (Hostname mismatch" in refused(
            url, authority
        )
    assert server.asked == []


@pytest.mark.parametrize("status", [204, 304, 404, 410])
def test_no_document(status: int) -> None:
    """These are answers, not faults."""
    with price_server(lambda exchange: exchange.begin(status, Content_Length="0")) as server:
        assert asked(server.url) == Reply(status)


@pytest.mark.parametrize(
    ("status", "words"),
    [(401, "check the key"), (403, "check the key"), (400, "check the address"), (206, "refuses")],
)
def test_a_refusal_is_not_repeated(status: int, words: str) -> None:
    """The server said no: asking again would be bad manners."""
    with price_server(lambda exchange: exchange.reply(KEY, status)) as server:
        assert words in refused(server.url)
    assert len(server.asked) == 1


def test_a_fault_that_passes() -> None:
    """500 and 503, then an answer: it waits longer each time."""
    waits: list[float] = []

    def answer(exchange: Exchange) -> None:
        tries = len(server.asked)
        exchange.reply("fine", 200 if tries > 2 else (500, 503)[tries - 1])

    with price_server(answer) as server:
        request = Request(server.url, {}, partial(trusting_context, None))
        assert ask(request, waits.append).body == b"fine"
    assert tuple(waits) == WAITS_SECONDS[:2]
    assert list(WAITS_SECONDS) == sorted(WAITS_SECONDS)


def test_a_fault_that_stays() -> None:
    """After four tries it is left to the timer."""
    with price_server(lambda exchange: exchange.reply("", 500)) as server:
        assert refused(server.url) == (
            "127.0.0.1 has a fault or is busy (status 500); try again later"
        )
    assert len(server.asked) == 1 + len(WAITS_SECONDS)


def test_nobody_there() -> None:
    """A closed port is named as such."""
    with price_server(lambda exchange: exchange.reply("")) as server:
        pass
    assert refused(server.url) == "127.0.0.1 can't be reached: Connection refused"


def cut_by_length(exchange: Exchange) -> None:
    exchange.begin(Content_Length="100")
    exchange.handler.wfile.write(b"[1, 2")


def cut_in_a_chunk(exchange: Exchange) -> None:
    exchange.begin(Transfer_Encoding="chunked")
    exchange.handler.wfile.write(b"64\r\n[1, 2")


def cut_in_gzip(exchange: Exchange) -> None:
    packed = gzip.compress(b"[1, 2, 3]" * 50)
    exchange.reply(packed[:-9], Content_Encoding="gzip")


def cut_in_the_head(exchange: Exchange) -> None:
    exchange.handler.wfile.write(b"HTTP/1.1 200 OK\r\nContent-")


def no_gzip(exchange: Exchange) -> None:
    exchange.reply("[1, 2]", Content_Encoding="gzip")


def no_http(exchange: Exchange) -> None:
    exchange.handler.wfile.write(b"220 mail.example.org ready\r\n")


@pytest.mark.parametrize(
    "answer", [cut_by_length, cut_in_a_chunk, cut_in_gzip, cut_in_the_head, no_gzip, no_http]
)
def test_a_cut_answer_is_none(answer: Callable[[Exchange], None]) -> None:
    """Part of an answer is never read as if it were the whole."""
    with price_server(answer) as server:
        assert refused(server.url) == "127.0.0.1 sent an answer that is cut off, or is not HTTP"
    assert len(server.asked) == 1 + len(WAITS_SECONDS)


def silent(exchange: Exchange) -> None:
    exchange.closing.wait(60)


def slow_body(exchange: Exchange) -> None:
    exchange.begin()
    while not exchange.closing.wait(0.02):
        exchange.handler.wfile.write(b" ")


def slow_head(exchange: Exchange) -> None:
    exchange.handler.wfile.write(b"HTTP/1.1 200 OK\r\nX-Slow: ")
    while not exchange.closing.wait(0.02):
        exchange.handler.wfile.write(b"x")


@pytest.mark.parametrize("answer", [silent, slow_body, slow_head])
@pytest.mark.parametrize("tls", [False, True], ids=["clear", "tls"])
def test_the_time_limit_holds_for_the_whole(
    answer: Callable[[Exchange], None],
    tls: bool,  # noqa: FBT001 - a parameter of the test
    authority: Authority,
    signed: Signed,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A server that keeps sending a byte now and then is cut off like a silent one."""
    monkeypatch.setattr(client, "TRY_SECONDS", 0.25)
    monkeypatch.setattr(client, "WAITS_SECONDS", ())
    with price_server(answer, signed if tls else None) as server:
        assert refused(server.url, authority) == "127.0.0.1 did not answer in time"


def test_a_large_answer_is_not_read_to_its_end() -> None:
    """Of a body of 100 MB, about as much is read as is allowed."""
    sent = 0

    def answer(exchange: Exchange) -> None:
        nonlocal sent
        exchange.begin(Content_Length="100000000")
        for _ in range(100):
            exchange.handler.wfile.write(bytes(1_000_000))
            sent += 1_000_000

    with price_server(answer) as server:
        assert refused(server.url) == "the answer of 127.0.0.1 is larger than 5 MB"
    assert len(server.asked) == 1
    assert sent < 5 * MOST_BYTES


def test_a_bomb_is_not_unpacked() -> None:
    """200 MB of zeros in 200 kB: the limit holds for what is unpacked, too."""
    bomb = gzip.compress(bytes(20_000_000), 1) * 10
    with price_server(lambda exchange: exchange.reply(bomb, Content_Encoding="gzip")) as server:
        assert refused(server.url) == "the answer of 127.0.0.1 is larger than 5 MB"


def test_another_packing() -> None:
    """What was not asked for is not guessed at."""
    with price_server(lambda exchange: exchange.reply("x", Content_Encoding="br")) as server:
        assert refused(server.url) == "127.0.0.1 answers in a packing that was not asked for"


def test_a_redirect_on_the_same_server(authority: Authority, signed: Signed) -> None:
    """It is followed, with the same headers."""

    def answer(exchange: Exchange) -> None:
        if exchange.path == "/there":
            exchange.reply("fine")
        else:
            exchange.reply(status=308, Location="/there")

    with price_server(answer, signed) as server:
        assert asked(server.url, authority, {"X-Key": KEY}).body == b"fine"
    assert server.asked[1].headers["X-Key"] == KEY


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("https://prices.example.org/x", "redirects the request to another server"),
        ("//prices.example.org/x", "redirects the request to another server"),
        ("https://127.0.0.1:1/x", "redirects the request to another server"),
        ("https://user@127.0.0.1:{port}/x", "redirects the request to another server"),
        ("http://127.0.0.1:{port}/x", "redirects the request to an address without TLS"),
        ("file:///etc/passwd", "redirects the request to an address without TLS"),
        ("https://127.0.0.1:99999999/x", "redirects the request to no valid address"),
        ("/again", "redirects the request again and again"),
        ("", "redirects the request again and again"),
    ],
)
def test_redirects_that_are_not_followed(
    place: str, words: str, authority: Authority, signed: Signed
) -> None:
    """Another host or port, no TLS, and loops; nothing goes where they lead."""

    def answer(exchange: Exchange) -> None:
        port = server.url.rpartition(":")[2]
        exchange.reply(status=302, Location=place.replace("{port}", port))

    with price_server(answer, signed) as server:
        assert words in refused(server.url, authority)
    assert len(server.asked) <= 4


def test_nobody_prints_a_request() -> None:
    """Its address and headers are left out of its `repr`."""
    request = Request(f"https://x/{KEY}", {"X-Key": KEY}, partial(trusting_context, Path()))
    assert KEY not in repr(request)
