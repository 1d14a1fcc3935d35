"""Listen without letting strangers use up the process's memory or file descriptors.

A connection waits until it has shown that it may stay. Few may wait: a new one takes the place of
the oldest one of the address that has most of them, or is refused if that is its own address and
the older ones are kept. The others are limited by descriptors alone.
"""

from __future__ import annotations

import asyncio
import resource
import socket
from collections import Counter
from contextlib import suppress
from ipaddress import IPv6Address, ip_address
from time import monotonic
from typing import TYPE_CHECKING, Any, Final

import structlog
from typing_extensions import override

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

MOST_WAITING: Final = 64
LOGGED_EVERY_SECONDS: Final = 60.0
BACKLOG: Final = 100
_NETWORK_BITS: Final = 64

_log = structlog.get_logger(__name__)


_LOOKS_AGAIN_SECONDS = 0.01


class Connections:
    """The connections of one server, and which of them still wait.

    Parameters
    ----------
    most_waiting
        How many may wait; by default 64, and fewer if there are few descriptors.
    most_open
        How many there may be; by default half of what the process may open.
    keeps_older
        Whether a new connection of the address that has most is refused, instead of an older one.
    is_barred
        Whether connections of an address (see `network_of`) are to be closed at once.
    seconds
        The clock for log entries [seconds].
    """

    def __init__(
        self,
        most_waiting: int | None = None,
        most_open: int | None = None,
        *,
        keeps_older: bool = False,
        is_barred: Callable[[str], bool] = lambda _: False,
        seconds: Callable[[], float] = monotonic,
    ) -> None:
        descriptors = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
        self._most_waiting = most_waiting or max(1, min(MOST_WAITING, descriptors // 8))
        self._most_open = most_open or max(2, descriptors // 2)
        self._keeps_older = keeps_older
        self._is_barred = is_barred
        self._seconds = seconds
        self._open: set[AcceptedSocket] = set()
        self._waiting: dict[tuple[Any, ...], AcceptedSocket] = {}
        self._dropped = 0
        self._logged_seconds = -LOGGED_EVERY_SECONDS

    def admit(self, accepted: AcceptedSocket) -> bool:
        """Let a new connection wait, in place of another one if too many do.

        Returns
        -------
        bool
            False if there is no place for it, or its address is barred.
        """
        if self._is_barred(network_of(accepted.peer)):
            return False
        if len(self._open) >= self._most_open:
            self._note_dropped()
            return False
        if len(self._waiting) >= self._most_waiting and not self._make_room(accepted):
            return False
        self._open.add(accepted)
        self._waiting[accepted.peer] = accepted
        return True

    def establish(self, peer: tuple[Any, ...]) -> None:
        """Let the connection of this peer (address, port, ...) stay."""
        self._waiting.pop(peer, None)

    def forget(self, accepted: AcceptedSocket) -> None:
        """Note that a connection is closed."""
        self._open.discard(accepted)
        if self._waiting.get(accepted.peer) is accepted:
            del self._waiting[accepted.peer]

    async def end(self, most_seconds: float) -> None:
        """End all connections, and wait until they are closed: one over TLS waits for its peer."""
        for each in tuple(self._open):
            with suppress(OSError):  # the peer may have ended it
                each.shutdown(socket.SHUT_RDWR)
        with suppress(TimeoutError):
            async with asyncio.timeout(most_seconds):
                while self._open:  # noqa: ASYNC110 - closed by the transports, which tell nobody
                    await asyncio.sleep(_LOOKS_AGAIN_SECONDS)

    def _make_room(self, accepted: AcceptedSocket) -> bool:
        self._note_dropped()
        counts = Counter(network_of(peer) for peer in self._waiting)
        crowded = counts.most_common(1)[0][0]
        if self._keeps_older and counts[network_of(accepted.peer)] == counts[crowded]:
            return False
        oldest = next(peer for peer in self._waiting if network_of(peer) == crowded)
        with suppress(OSError):  # the peer may have ended it
            self._waiting.pop(oldest).shutdown(socket.SHUT_RDWR)
        return True

    def _note_dropped(self) -> None:
        self._dropped += 1
        now = self._seconds()
        if now >= self._logged_seconds + LOGGED_EVERY_SECONDS:
            _log.warning("too many connections, some dropped", dropped=self._dropped)
            self._dropped, self._logged_seconds = 0, now


class AcceptedSocket(socket.socket):
    """A connection that tells `Connections` when it is closed."""

    def __init__(self, accepted: socket.socket, peer: object, connections: Connections) -> None:
        family, kind, protocol = accepted.family, accepted.type, accepted.proto
        super().__init__(family, kind, protocol, fileno=accepted.detach())
        self.peer = peer if isinstance(peer, tuple) else (peer,)
        self._connections = connections

    @override
    def close(self) -> None:
        """Close the connection."""
        super().close()
        self._connections.forget(self)


class LimitedSocket(socket.socket):
    """A listening socket whose connections are limited.

    Parameters
    ----------
    family
        IPv4 or IPv6.
    connections
        Keeps the limits.
    """

    def __init__(self, family: int, connections: Connections) -> None:
        super().__init__(family, socket.SOCK_STREAM)
        self._limited = connections

    @override
    def accept(self) -> tuple[socket.socket, Any]:
        """Accept a connection.

        Returns
        -------
        tuple of (socket, address)
            As of any socket.

        Raises
        ------
        ConnectionAbortedError
            If there was no place for it; a server goes on to the next one.
        """
        plain, peer = super().accept()
        accepted = AcceptedSocket(plain, peer, self._limited)
        if not self._limited.admit(accepted):
            accepted.close()
            raise ConnectionAbortedError
        return accepted, peer


def listen(host: str, port: int, connections: Connections) -> Sequence[LimitedSocket]:
    """Listen on every address of a host.

    Parameters
    ----------
    host
        Name or address.
    port
        TCP port; 0 for any free one.
    connections
        Keeps the limits of all of them.

    Returns
    -------
    sequence of LimitedSocket
        Listening; to be given to a server.

    Raises
    ------
    OSError
        If it can't listen on one of them.
    """
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    sockets: list[LimitedSocket] = []
    try:
        for family, _, _, _, address in dict.fromkeys(found):
            sockets.append(LimitedSocket(family, connections))
            sockets[-1].setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                sockets[-1].setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            sockets[-1].bind(address)
            sockets[-1].listen(BACKLOG)
    except OSError:
        for each in sockets:
            each.close()
        raise
    return sockets


def network_of(peer: Sequence[Any] | None) -> str:
    """Return the address of a peer; of IPv6 its network, since one host has all of that."""
    if not peer:
        return ""
    text = str(peer[0]).partition("%")[0]
    try:
        address = ip_address(text)
    except ValueError:
        return text
    if not isinstance(address, IPv6Address):
        return text
    if address.ipv4_mapped is not None:
        return str(address.ipv4_mapped)
    network = int(address) >> _NETWORK_BITS << _NETWORK_BITS
    return f"{IPv6Address(network)}/{_NETWORK_BITS}"
