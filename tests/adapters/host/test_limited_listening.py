"""How many connections may wait, and which of them goes for a new one."""

from __future__ import annotations

import resource
import socket
from collections.abc import Iterator

import pytest
from structlog.testing import capture_logs

from adapters.host.limited_listening import AcceptedSocket, Connections, listen, network_of


@pytest.fixture
def ends() -> Iterator[list[socket.socket]]:
    opened: list[socket.socket] = []
    yield opened
    for each in opened:
        each.close()


def accepted(
    connections: Connections, address: str, port: int, ends: list[socket.socket]
) -> AcceptedSocket:
    ours, theirs = socket.socketpair()
    made = AcceptedSocket(ours, (address, port), connections)
    ends += [made, theirs]
    theirs.settimeout(0)
    return made


def was_dropped(ends: list[socket.socket], number: int) -> bool:
    try:
        return ends[2 * number + 1].recv(1) == b""
    except BlockingIOError:
        return False


def test_a_new_connection_takes_the_place_of_the_most_frequent_address(
    ends: list[socket.socket],
) -> None:
    """The oldest of the address that has most goes, so that all others can finish."""
    connections = Connections(most_waiting=4, most_open=100)
    for number, address in enumerate(["home", "bad", "bad", "bad", "bad", "other"]):
        assert connections.admit(accepted(connections, address, number, ends))
    assert [was_dropped(ends, n) for n in range(6)] == [False, True, True, False, False, False]


def test_an_address_that_has_most_may_get_no_more(ends: list[socket.socket]) -> None:
    """Where the older ones are kept, a new one takes a place only from a more frequent address."""
    connections = Connections(most_waiting=3, most_open=100, keeps_older=True)
    addresses = ["bad", "bad", "home", "bad", "home", "home", "other"]
    made = [accepted(connections, each, number, ends) for number, each in enumerate(addresses)]
    admitted = [connections.admit(each) for each in made]
    assert admitted == [True, True, True, False, True, False, True]
    assert [was_dropped(ends, n) for n in range(7)] == [True, False, True, *[False] * 4]


def test_one_that_may_stay_is_never_dropped(ends: list[socket.socket]) -> None:
    """However many come after it."""
    connections = Connections(most_waiting=2, most_open=100)
    assert connections.admit(accepted(connections, "bad", 0, ends))
    connections.establish(("bad", 0))
    for number in range(1, 5):
        assert connections.admit(accepted(connections, "bad", number, ends))
    assert [was_dropped(ends, n) for n in range(5)] == [False, True, True, False, False]


def test_descriptors_are_kept_back(ends: list[socket.socket]) -> None:
    """At the limit a connection is refused, until another one is closed."""
    connections = Connections(most_waiting=2, most_open=3)
    made = [accepted(connections, "bad", number, ends) for number in range(5)]
    assert [connections.admit(each) for each in made[:4]] == [True, True, True, False]
    made[0].close()
    assert connections.admit(made[4])


def test_half_of_the_process_s_descriptors_are_kept_back(
    ends: list[socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    """By default, whatever the limit of the process is."""
    monkeypatch.setattr(resource, "getrlimit", lambda _: (16, 16))
    connections = Connections()
    made = [accepted(connections, "bad", number, ends) for number in range(9)]
    assert [connections.admit(each) for each in made] == [True] * 8 + [False]


def test_a_barred_address(ends: list[socket.socket]) -> None:
    """Nothing of it is looked at."""
    connections = Connections(is_barred=lambda address: address == "bad")
    assert not connections.admit(accepted(connections, "bad", 1, ends))
    assert connections.admit(accepted(connections, "home", 2, ends))


def test_the_log_names_them_once_a_minute(ends: list[socket.socket]) -> None:
    """With how many there were since."""
    now = [1000.0]
    connections = Connections(most_waiting=1, most_open=1000, seconds=lambda: now[0])
    with capture_logs() as logs:
        for number in range(30):
            connections.admit(accepted(connections, "bad", number, ends))
        now[0] += 60
        connections.admit(accepted(connections, "bad", 30, ends))
    assert [line["dropped"] for line in logs] == [1, 29]


def test_it_listens_on_every_address_of_a_host() -> None:
    """And closes what it bound if another address can't be."""
    connections = Connections()
    (bound,) = listen("127.0.0.1", 0, connections)
    with bound:
        port = bound.getsockname()[1]
        with pytest.raises(OSError, match="in use"):
            listen("127.0.0.1", port, connections)
        with socket.create_connection(("127.0.0.1", port)) as theirs:
            ours, peer = bound.accept()
            with ours:
                assert peer == theirs.getsockname()


@pytest.mark.parametrize(
    ("peer", "network"),
    [
        (("192.0.2.7", 4000), "192.0.2.7"),
        (("2001:db8:1:2:3:4:5:6", 4000, 0, 0), "2001:db8:1:2::/64"),
        (("fe80::1%eth0", 4000, 0, 2), "fe80::/64"),
        (("::ffff:192.0.2.7", 4000, 0, 0), "192.0.2.7"),
        (("", 0), ""),
        (None, ""),
    ],
)
def test_the_network_of_a_peer(peer: tuple[object, ...] | None, network: str) -> None:
    """One host has a whole /64 of IPv6 (RFC 4291, section 2.5.1), but one address of IPv4."""
    assert network_of(peer) == network
