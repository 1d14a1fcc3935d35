"""Ask a server for one document over HTTP, within limits of time and size.

TLS is always verified. A redirect is followed only to the same host, and only over TLS. No text of
an error has more of the address than its host: keys may stand in all the rest.
"""

from __future__ import annotations

import ssl
import zlib
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException, HTTPResponse, HTTPSConnection
from socket import SHUT_RDWR, socket
from threading import Timer
from time import monotonic
from typing import TYPE_CHECKING, Final
from urllib.parse import SplitResult, urljoin, urlsplit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

MOST_BYTES: Final = 5_000_000
"""Of an answer, packed and unpacked."""
TRY_SECONDS: Final = 30.0
"""How long one try may take, redirects and all [s]."""
WAITS_SECONDS: Final = (3.0, 10.0, 30.0)
"""How long to wait before each further try [s]."""
_MOST_REDIRECTS = 3
_CHUNK_BYTES = 65_536
_REDIRECTS = frozenset({301, 302, 303, 307, 308})
_TRY_AGAIN = frozenset({408, 425, 429, 500, 502, 503, 504})
_NOT_THERE = frozenset({204, 404, 410})
_NOT_ALLOWED = frozenset({401, 403})
_UNCHANGED = 304
_TAGS = {"ETag": "If-None-Match", "Last-Modified": "If-Modified-Since"}
_FINE = 200
_UNPACKED = {"gzip": 16 + zlib.MAX_WBITS, "x-gzip": 16 + zlib.MAX_WBITS, "deflate": zlib.MAX_WBITS}


class RequestError(Exception):
    """No usable answer came; the text says why and what to do, without the address."""


class PassingError(RequestError):
    """A failure that may pass within seconds."""


@dataclass(frozen=True, slots=True)
class Request:
    """What to ask for.

    Attributes
    ----------
    url : str
        The whole address, which may hold a key.
    headers : mapping of str to str
        To send, which may hold a key.
    trusting : callable
        Makes the TLS settings.
    """

    url: str = field(repr=False)
    headers: Mapping[str, str] = field(repr=False)
    trusting: Callable[[], ssl.SSLContext]


@dataclass(frozen=True, slots=True)
class Reply:
    """What came back.

    Attributes
    ----------
    status : int
        200; 304 if nothing has changed; 204, 404 or 410 if there is no such document.
    body : bytes
        Unpacked; empty unless the status is 200.
    tags : mapping of str to str
        Headers for the next request, so that an unchanged document is not sent again.
    """

    status: int
    body: bytes = b""
    tags: Mapping[str, str] = field(default_factory=dict)


def ask(request: Request, wait: Callable[[float], object]) -> Reply:
    """Ask a server, and ask again where that may help.

    Parameters
    ----------
    request
        What to ask for.
    wait
        Waits so many seconds.

    Returns
    -------
    Reply
        An answer, or that there is none.

    Raises
    ------
    RequestError
        If the server can't be reached or verified, refuses, or answers too slowly or too much.
    """  # noqa: DOC502 - raised by the parts
    for seconds in WAITS_SECONDS:
        try:
            return _follow(request)
        except PassingError:
            wait(seconds)
    return _follow(request)


def _follow(request: Request) -> Reply:
    """Ask once, and follow redirects."""
    ends = monotonic() + TRY_SECONDS
    target = urlsplit(request.url)
    for _ in range(_MOST_REDIRECTS + 1):
        with _plain_errors(target, ends), _connected(target, request, ends) as connection:
            connection.request("GET", _path(target), headers=dict(request.headers))
            with closing(connection.getresponse()) as response:
                if response.status not in _REDIRECTS:
                    return _reply(response, target, ends)
                place = response.headers.get("Location", "")
        target = _redirected(target, place)
    raise RequestError(f"{target.hostname} redirects the request again and again")


def _path(target: SplitResult) -> str:
    return f"{target.path or '/'}{'?' if target.query else ''}{target.query}"


@contextmanager
def _connected(target: SplitResult, request: Request, ends: float) -> Iterator[HTTPConnection]:
    """Connect, and cut the connection when the time is up, whatever it waits for."""
    host, seconds = target.hostname or "", max(0.1, ends - monotonic())
    connection = (
        HTTPSConnection(host, target.port, timeout=seconds, context=request.trusting())
        if target.scheme == "https"
        else HTTPConnection(host, target.port, timeout=seconds)
    )
    held: list[socket] = []
    timer = Timer(seconds, _cut, (connection, held))
    timer.daemon = True
    timer.start()
    try:
        connection.connect()
        # The connection forgets its socket where the server closes after its answer.
        held.append(connection.sock)
        if monotonic() >= ends:
            raise TimeoutError
        yield connection
    finally:
        timer.cancel()
        connection.close()


def _cut(connection: HTTPConnection, held: list[socket]) -> None:
    """Wake whoever waits for a connection, without closing it under them."""
    for sock in held or [connection.sock]:
        # The method of SSLSocket would also forget that the connection is encrypted.
        with suppress(OSError, TypeError):
            socket.shutdown(sock, SHUT_RDWR)


@contextmanager
def _plain_errors(target: SplitResult, ends: float) -> Iterator[None]:
    """Turn every failure of the connection into one sentence without the address."""
    host = target.hostname
    try:
        yield
    except ssl.SSLCertVerificationError as error:
        raise RequestError(
            f"the certificate of {host} is not trusted ({error.verify_message}), so nothing was"
            " sent; if its authority is your own, name it in ca_file"
        ) from None
    except (OSError, HTTPException, ValueError) as error:
        # Whatever the error is called: after the end, the time limit has caused it.
        is_late = isinstance(error, TimeoutError) or monotonic() >= ends
        what = "did not answer in time" if is_late else _words(error)
        raise PassingError(f"{host} {what}") from None


def _words(error: Exception) -> str:
    if isinstance(error, ssl.SSLError):
        return "can't be reached by an encrypted connection"
    if isinstance(error, HTTPException | ValueError):
        return "sent an answer that is cut off, or is not HTTP"
    return f"can't be reached: {getattr(error, 'strerror', None) or type(error).__name__}"


def _redirected(target: SplitResult, place: str) -> SplitResult:
    host = target.hostname
    try:
        there = urlsplit(urljoin(target.geturl(), place))
        port = there.port
    except ValueError:
        raise RequestError(f"{host} redirects the request to no valid address") from None
    if there.scheme != "https":
        raise RequestError(f"{host} redirects the request to an address without TLS")
    same_port = port == target.port or target.scheme == "http"
    if there.hostname != host or not same_port or "@" in there.netloc:
        raise RequestError(f"{host} redirects the request to another server; check the address")
    return there


def _reply(response: HTTPResponse, target: SplitResult, ends: float) -> Reply:
    host, status = target.hostname, response.status
    if status in _TRY_AGAIN:
        raise PassingError(f"{host} has a fault or is busy (status {status}); try again later")
    if status in _NOT_ALLOWED:
        raise RequestError(f"{host} refuses the request (status {status}); check the key")
    if status in _NOT_THERE or status == _UNCHANGED:
        return Reply(status)
    if status != _FINE:
        raise RequestError(f"{host} refuses the request (status {status}); check the address")
    tags = {
        ours: response.headers[name] for name, ours in _TAGS.items() if name in response.headers
    }
    return Reply(status, _body(response, host or "", ends), tags)


def _body(response: HTTPResponse, host: str, ends: float) -> bytes:
    packing = response.headers.get("Content-Encoding", "identity").strip().lower()
    if packing not in {"identity", *_UNPACKED}:
        raise RequestError(f"{host} answers in a packing that was not asked for")
    unpacker = zlib.decompressobj(_UNPACKED[packing]) if packing in _UNPACKED else None
    body = bytearray()
    received = 0
    while chunk := response.read1(_CHUNK_BYTES):
        received += len(chunk)
        if unpacker is not None:
            chunk = _unpacked(unpacker, chunk, MOST_BYTES + 1 - len(body))
        body += chunk
        if max(received, len(body)) > MOST_BYTES:
            raise RequestError(f"the answer of {host} is larger than {MOST_BYTES // 1_000_000} MB")
    if monotonic() >= ends:
        raise TimeoutError
    length = response.headers.get("Content-Length", "")
    is_short = length.isdecimal() and received < int(length)
    if is_short or not body or (unpacker is not None and not unpacker.eof):
        raise HTTPException
    return bytes(body)


def _unpacked(unpacker: zlib._Decompress, chunk: bytes, most: int) -> bytes:
    try:
        return unpacker.decompress(chunk, most)
    except zlib.error:
        raise HTTPException from None
