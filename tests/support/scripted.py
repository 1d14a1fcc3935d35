"""A peer that answers a client with fixed bytes, as no real broker does on demand."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from threading import Thread

from config.household.household_file import Bus
from tests.support.waiting import patience


@dataclass
class Script:
    """The address of the peer, and the bytes that clients have sent so far."""

    bus: Bus
    received: list[bytes] = field(default_factory=list)


@contextmanager
def scripted_broker(*answers: bytes) -> Iterator[Script]:
    """Serve one connection after another: after each packet of the client, the next answer.

    When the answers are used up, the connection is closed.

    Yields
    ------
    Script
        Filled as clients connect.
    """
    with socket.create_server(("127.0.0.1", 0)) as listener:
        script = Script(Bus(broker=f"mqtt://127.0.0.1:{listener.getsockname()[1]}"))
        accepted: list[socket.socket] = []

        def serve() -> None:
            with suppress(OSError):
                while True:
                    connection, _ = listener.accept()
                    accepted[:] = [connection]
                    with connection:
                        for answer in answers:
                            script.received.append(connection.recv(4096))
                            connection.sendall(answer)

        thread = Thread(target=serve, daemon=True)
        thread.start()
        yield script
        listener.shutdown(socket.SHUT_RDWR)
        for connection in accepted:  # it may still wait for the client's next packet
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
    thread.join(patience(5))
