"""A bare HTTP client: it sends what no browser would, from any address of this machine."""

from __future__ import annotations

import re
import socket
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from urllib.parse import urlencode

from adapters.web.server import FORM
from tests.support.waiting import patience

if TYPE_CHECKING:
    from collections.abc import Mapping

SHORTENED: Final = 64 * 1024


@dataclass(frozen=True)
class Reply:
    """What came back; status 0 if the connection was closed instead."""

    status: int
    text: str

    def header(self, name: str) -> str:
        found = re.search(rf"^{name}: (.*?)\r$", self.text, re.MULTILINE | re.IGNORECASE)
        return found[1] if found else ""


def connect(port: int, address: str = "127.0.0.1") -> socket.socket:
    """Connect from one of this machine's loopback addresses."""
    return socket.create_connection(("127.0.0.1", port), patience(30), source_address=(address, 0))


def send(port: int, raw: bytes, address: str = "127.0.0.1") -> Reply:
    """Send bytes as they are, and read until the page closes the connection."""
    got = b""
    with suppress(ConnectionError), connect(port, address) as connection:
        with suppress(ConnectionError):  # it may refuse before it has everything
            connection.sendall(raw)
        while len(got) < SHORTENED and (part := connection.recv(SHORTENED)):
            got += part
    found = re.match(rb"HTTP/1\.[01] (\d{3}) ", got)
    return Reply(int(found[1]) if found else 0, got.decode("utf-8", "replace"))


class Browser:
    """Sends requests as a browser does; each with a connection of its own."""

    def __init__(self, port: int, address: str = "127.0.0.1") -> None:
        self.port = port
        self.address = address
        self.cookie = ""

    def get(self, target: str, **headers: str) -> Reply:
        return send(self.port, self.head("GET", target, headers) + b"\r\n", self.address)

    def post(self, target: str, form: Mapping[str, str], **headers: str) -> Reply:
        body = urlencode(form).encode()
        sent = {
            "Content-Type": FORM, "Content-Length": str(len(body)), "Origin": self.origin,
        } | headers  # fmt: skip
        return send(self.port, self.head("POST", target, sent) + b"\r\n" + body, self.address)

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def head(self, method: str, target: str, headers: Mapping[str, str]) -> bytes:
        lines = {"Host": f"127.0.0.1:{self.port}", "Connection": "close"} | dict(headers)
        if self.cookie:
            lines["Cookie"] = self.cookie
        text = "".join(f"{name}: {value}\r\n" for name, value in lines.items())
        return f"{method} {target} HTTP/1.1\r\n{text}".encode()

    def pair(self, code: str) -> Reply:
        """Pair with a code, and keep the cookie."""
        reply = self.post("/pair", {"code": code, "name": "phone"})
        self.cookie = reply.header("Set-Cookie").partition(";")[0]
        return reply

    def key(self, view: str = "/") -> str:
        """Return what its forms must hold."""
        [found, *_] = re.findall(r'name="key" value="(\w+)"', self.get(view).text)
        return str(found)
