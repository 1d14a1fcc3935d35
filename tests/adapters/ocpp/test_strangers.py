"""Strangers at the OCPP port, and equipment that floods: the others go on as if alone."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from select import select
from threading import Event
from time import monotonic
from types import SimpleNamespace

import pytest

from adapters.contract.messages import LARGEST_PAYLOAD_BYTES
from adapters.host.limited_listening import MOST_WAITING
from adapters.host.wrong_passwords import ALERT_AFTER
from adapters.ocpp import connections
from adapters.ocpp_door import authentication
from adapters.ocpp_door.limited_connection import MOST_FRAGMENTS, MOST_FRAMES_A_SECOND
from adapters.ocpp_point.events import EquipmentDisconnected
from tests.adapters.ocpp.world import World, world_with
from tests.support.ocpp_equipment import PASSWORD, authorization
from tests.support.waiting import patience, wait_until

STRANGER = "127.0.0.2"


def handshake(password: str, path: str = "/driveway-1") -> bytes:
    header = authorization("driveway-1", password)["Authorization"]
    return (
        f"GET {path} HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n"
        f"Sec-WebSocket-Protocol: ocpp1.6\r\nAuthorization: {header}\r\n\r\n"
    ).encode()


def opened(port: int, address: str = STRANGER) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), patience(), (address, 0))


def status(port: int, request: bytes, address: str = STRANGER) -> str:
    """Return the status of the answer, or nothing if the connection is closed instead."""
    with opened(port, address) as connection:
        try:
            connection.sendall(request)
            return connection.recv(1000)[9:12].decode()
        except ConnectionError:
            return ""


def has_ended(connection: socket.socket) -> bool:
    """Read what is there; whether the other side has closed."""
    connection.settimeout(0)
    try:
        while connection.recv(65_536):
            pass
    except BlockingIOError:
        return False
    except ConnectionError:
        return True
    return True


@contextmanager
def half_open(world: World, count: int, address: str = STRANGER) -> Iterator[list[socket.socket]]:
    with ExitStack() as closing:
        yield [closing.enter_context(opened(world.port, address)) for _ in range(count)]


def test_passwords_and_identities_are_not_guessed(world: World) -> None:
    """After a few, a stranger's connections are closed unheard; equipment elsewhere gets in."""
    world.ready()
    # On a busy machine the stranger's time to wait would be over before it has tried 50 times.
    stopped_seconds = monotonic()
    assert world.server._connections is not None
    world.server._connections._authenticator._seconds = lambda: stopped_seconds
    answers = [status(world.port, handshake("wrong")) for _ in range(3)]
    assert answers == ["401"] * 3
    answers = [status(world.port, handshake(PASSWORD, f"/point-{n}")) for n in range(3)]
    assert answers == ["404"] * 3
    assert [status(world.port, handshake(PASSWORD)) for _ in range(50)] == [""] * 50
    assert world.ready().boot().status == "Accepted"


def test_an_address_has_one_password_looked_at_at_a_time(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Others of it that come while one waits are refused at once."""
    for _ in range(4):
        status(world.port, handshake("wrong"))
    goes_on = Event()

    async def waits_for_the_others(_seconds: float) -> None:
        await asyncio.to_thread(goes_on.wait, patience())

    monkeypatch.setattr(authentication, "asyncio", SimpleNamespace(sleep=waits_for_the_others))
    with half_open(world, 20) as strangers:
        for each in strangers:
            each.sendall(handshake("wrong"))
        wait_until(lambda: len(select(strangers, [], [], 0)[0]) == 19, what="all but one")
        goes_on.set()
        answers = sorted(each.recv(1000)[9:12].decode() for each in strangers)
    assert answers == ["401"] + ["429"] * 19


def test_many_connections_that_say_nothing(world: World) -> None:
    """1,200 of them: only 64 stay open, and equipment connects beside them."""
    with half_open(world, 1_200) as strangers:
        assert world.ready().boot().status == "Accepted"
        wait_until(
            lambda: sum(not has_ended(each) for each in strangers) <= MOST_WAITING,
            what="the others are closed",
        )
        assert sum(not has_ended(each) for each in strangers) >= MOST_WAITING - 1
        assert world.ready().boot().status == "Accepted"


def test_many_of_them_at_the_address_of_the_equipment(world: World) -> None:
    """A new connection takes the place of an older one, so that it gets in all the same."""
    plugged = world.ready()
    with half_open(world, 300, "127.0.0.1"):
        assert plugged.boot().status == "Accepted"
        assert world.ready().boot().status == "Accepted"


def test_a_slow_handshake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A byte now and then does not keep a connection open beyond the time for a handshake."""
    monkeypatch.setattr(connections, "HANDSHAKE_SECONDS", 0.3)
    with world_with(tmp_path) as world, opened(world.port) as stranger:
        rest = iter(handshake(PASSWORD))

        def goes_on() -> bool:
            try:
                stranger.sendall(bytes([next(rest)]))
            except ConnectionError:
                return False
            return not has_ended(stranger)

        wait_until(lambda: not goes_on(), what="the connection is closed")
        assert next(rest, None) is not None


@pytest.fixture
def equipment(world: World) -> Iterator[socket.socket]:
    """Yield a connection with the right password, after its handshake."""
    with opened(world.port, "127.0.0.1") as connection:
        connection.sendall(handshake(PASSWORD))
        assert connection.recv(1000)[9:12] == b"101"
        yield connection


def send_until_closed(connection: socket.socket, frames: bytes) -> None:
    try:
        while True:
            connection.sendall(frames)
    except ConnectionError:
        return


MASKED_NOTHING = b"\x80\0\0\0\0"  # a client's frame of no bytes, after its first: RFC 6455, 5.2


@pytest.mark.parametrize("first", [b"\x01", b"\x89", b"\x8a"], ids=["fragments", "pings", "pongs"])
def test_a_flood_of_frames(first: bytes, world: World, equipment: socket.socket) -> None:
    """The connection ends, and the next one is served."""
    rest = b"\x00" if first == b"\x01" else first
    equipment.sendall(first + MASKED_NOTHING)
    send_until_closed(equipment, (rest + MASKED_NOTHING) * MOST_FRAMES_A_SECOND)
    world.recorder.wait_for(EquipmentDisconnected)
    assert world.ready().boot().status == "Accepted"


def test_pings_before_any_message_are_answered(equipment: socket.socket) -> None:
    """They are no flood."""
    for _ in range(3):
        equipment.sendall(b"\x89" + MASKED_NOTHING)
        assert equipment.recv(10) == b"\x8a\0"


def test_fragments_without_end(
    world: World, equipment: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also slow ones do not grow into a message of any number of parts."""
    monkeypatch.setattr("adapters.ocpp_door.limited_connection.MOST_FRAMES_A_SECOND", 10**9)
    fragments = (b"\x00" + MASKED_NOTHING) * MOST_FRAGMENTS
    equipment.sendall(b"\x01" + MASKED_NOTHING + fragments)
    assert not has_ended(equipment)
    equipment.settimeout(patience())
    send_until_closed(equipment, b"\x00" + MASKED_NOTHING)
    world.recorder.wait_for(EquipmentDisconnected)


def test_a_frame_of_100_megabytes(world: World, equipment: socket.socket) -> None:
    """It is refused once it is announced: RFC 6455, section 7.4.1, has code 1009 for it."""
    assert LARGEST_PAYLOAD_BYTES < 100_000_000
    equipment.sendall(b"\x81\xff" + (100_000_000).to_bytes(8) + b"\0\0\0\0" + b" " * 1000)
    answer = equipment.recv(1000)
    assert answer[:1] == b"\x88"
    assert int.from_bytes(answer[2:4]) == 1009
    world.recorder.wait_for(EquipmentDisconnected)


def test_the_daemon_is_told(world: World) -> None:
    """Of ten wrong passwords for one identity, from wherever."""
    with ExitStack() as closing:
        addresses = [f"127.0.1.{number}" for number in range(ALERT_AFTER)]
        strangers = [closing.enter_context(opened(world.port, each)) for each in addresses]
        assert world.server.alarm is None
        for each in strangers:
            each.sendall(handshake("wrong"))
        assert [each.recv(1000)[9:12] for each in strangers] == [b"401"] * ALERT_AFTER
    assert str(world.server.alarm).startswith("10 lately, the last one for driveway-1 from 127.0.1")
