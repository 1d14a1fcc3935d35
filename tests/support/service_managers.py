"""A service manager for tests: the socket of sd_notify(3), and a watchdog over a child."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic
from typing import Self

from tests.support.waiting import patience

ALIVE = "WATCHDOG=1"


class Manager:
    """Records the datagrams it receives, each as its lines."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.received: list[list[str]] = []
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address.replace("@", "\0", 1))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def environment(self, watchdog_seconds: float | None = None) -> dict[str, str]:
        """Return the environment for a child process."""
        given = os.environ | {"NOTIFY_SOCKET": self.address}
        if watchdog_seconds is not None:
            given["WATCHDOG_USEC"] = str(round(watchdog_seconds * 1_000_000))
        return given

    def receive(self, limit_seconds: float) -> list[str] | None:
        """Return the lines of the next datagram; None if none comes in time."""
        self.socket.settimeout(max(0.001, limit_seconds))
        try:
            lines = self.socket.recv(8192).decode().split("\n")
        except TimeoutError:
            return None
        self.received.append(lines)
        return lines

    def wait_for(self, line: str, limit_seconds: float = 20) -> list[str]:
        """Wait for a datagram with a line that starts with this text, and return its lines."""
        deadline = monotonic() + patience(limit_seconds)
        while monotonic() < deadline:
            lines = self.receive(deadline - monotonic())
            if lines is not None and any(each.startswith(line) for each in lines):
                return lines
        raise AssertionError(f"expected {line}, received {self.received}")

    def wait_for_missed_sign_of_life(self, watchdog_seconds: float, limit_seconds: float) -> None:
        """Wait, like a watchdog, until no sign of life has come for `watchdog_seconds`."""
        deadline, due = monotonic() + limit_seconds, monotonic() + watchdog_seconds
        while monotonic() < due:
            if monotonic() > deadline:
                raise AssertionError(f"signs of life came for {limit_seconds} s")
            if ALIVE in (self.receive(due - monotonic()) or []):
                due = monotonic() + watchdog_seconds


@contextmanager
def manager_in(directory: Path) -> Iterator[Manager]:
    """Listen at a path.

    Yields
    ------
    Manager
        Until the block ends.
    """
    with Manager(str(directory / "notify")) as manager:
        yield manager
