"""What is announced is found by multicast DNS, on this machine alone."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from typing import TYPE_CHECKING

import pytest
from zeroconf import IPVersion, ServiceStateChange
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from adapters.discovery.announcer import Announced, Announcer
from adapters.discovery.own_addresses import is_of_this_machine, own_addresses

if TYPE_CHECKING:
    from collections.abc import Callable

HERE = "127.0.0.1"
KIND = "_ocpp._tcp.local."
LIMIT_SECONDS = 20
DOOR = Announced(
    "_ocpp._tcp", "Kowhai Cottage", "kowhai-test.local", 8887, (HERE,), {"path": "/", "tls": "1"}
)


class Seen:
    """The names of services that a browser hears of, and what it hears of each."""

    def __init__(self) -> None:
        self.names: set[str] = set()
        self.changed = asyncio.Event()

    def heard(self, name: str, state_change: ServiceStateChange, **_: object) -> None:
        if state_change is ServiceStateChange.Removed:
            self.names.discard(name)
        else:
            self.names.add(name)
        self.changed.set()

    async def until(self, is_so: Callable[[set[str]], bool]) -> None:
        async with asyncio.timeout(LIMIT_SECONDS):
            while not is_so(self.names):
                self.changed.clear()
                await self.changed.wait()


def test_it_is_found_and_withdrawn() -> None:
    """A browser resolves name, host, port, address and text; then hears that it is gone.

    RFC 6763: the SRV record names host and port (section 5), the TXT record holds key=value pairs
    (section 6). RFC 6762, section 10.1: a goodbye has a time to live of nought.
    """
    asyncio.run(_found_and_withdrawn())


async def _found_and_withdrawn() -> None:
    announcer, other = Announcer(), AsyncZeroconf(interfaces=[HERE])
    seen = Seen()
    try:
        assert await announcer.tell((DOOR,))
        browser = AsyncServiceBrowser(other.zeroconf, KIND, handlers=[seen.heard])
        await seen.until(lambda names: f"Kowhai Cottage.{KIND}" in names)
        info = AsyncServiceInfo(KIND, f"Kowhai Cottage.{KIND}")
        assert await info.async_request(other.zeroconf, LIMIT_SECONDS * 1000)
        found = (info.server, info.port, info.parsed_addresses(IPVersion.V4Only))
        assert found == ("kowhai-test.local.", 8887, [HERE])
        assert info.decoded_properties == {"path": "/", "tls": "1"}
        assert await announcer.tell(())
        await seen.until(lambda names: not names)
        await browser.async_cancel()
    finally:
        await announcer.close()
        await other.async_close()


def test_a_name_that_is_taken_gets_a_number() -> None:
    """Two homes of one name on one network are both found (RFC 6762, section 9)."""
    asyncio.run(_both_found())


async def _both_found() -> None:
    first, second = Announcer(), Announcer()
    other, seen = AsyncZeroconf(interfaces=[HERE]), Seen()
    try:
        assert await first.tell((DOOR,))
        assert await second.tell((DOOR,))
        browser = AsyncServiceBrowser(other.zeroconf, KIND, handlers=[seen.heard])
        await seen.until(lambda names: len(names) == 2)
        await browser.async_cancel()
    finally:
        for each in (first, second):
            await each.close()
        await other.async_close()


def test_no_network_is_no_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """A network that fails is logged, and tried again at the next look."""

    def fail(**_: object) -> None:
        raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))

    with monkeypatch.context() as broken:
        broken.setattr("adapters.discovery.announcer.AsyncZeroconf", fail)
        announcer = Announcer()
        assert asyncio.run(announcer.tell((DOOR,))) is False
    assert asyncio.run(_told_and_closed(announcer))


async def _told_and_closed(announcer: Announcer) -> bool:
    is_told = await announcer.tell((DOOR,))
    await announcer.close()
    return is_told


@pytest.mark.parametrize(
    ("host", "is_here"),
    [("127.0.0.1", True), ("localhost", True), ("198.51.100.7", False), ("no.invalid", False)],
)
def test_which_hosts_are_this_machine(
    host: str, *, is_here: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broker elsewhere is not ours to announce. RFC 6761, section 6.4: invalid never resolves."""
    if host == "no.invalid":
        monkeypatch.setattr(socket, "getaddrinfo", unresolved)
    assert is_of_this_machine(host) is is_here


def unresolved(name: str, _: object) -> None:
    raise socket.gaierror(name)


def test_loopback_is_no_home_network() -> None:
    """Others can't reach it."""
    assert HERE not in own_addresses()
