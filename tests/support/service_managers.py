"""What stands for a service manager: the socket of sd_notify(3), and a watchdog over a child."""

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
    """Keeps what it is told, each datagram as its lines."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.told: list[list[str]] = []
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address.replace("@", "\0", 1))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def environment(self, watchdog_seconds: float | None = None) -> dict[str, str]:
        """Give a child's environment."""
        given = os.environ | {"NOTIFY_SOCKET": self.address}
        if watchdog_seconds is not None:
            given["WATCHDOG_USEC"] = str(round(watchdog_seconds * 1_000_000))
        return given

    def hears(self, limit_seconds: float) -> list[str] | None:
        """Give the lines of the next datagram; None if none comes in time."""
        self.socket.settimeout(max(0.001, limit_seconds))
        try:
            lines = self.socket.recv(8192).decode().split("\n")
        except TimeoutError:
            return None
        self.told.append(lines)
        return lines

    def waits_for(self, line: str, limit_seconds: float = 20) -> list[str]:
        """Wait for a datagram with a line that begins so."""
        deadline = monotonic() + patience(limit_seconds)
        while monotonic() < deadline:
            heard = self.hears(deadline - monotonic())
            if heard is not None and any(each.startswith(line) for each in heard):
                return heard
        raise AssertionError(f"not told {line}, but {self.told}")

    def misses_a_sign_of_life(self, watchdog_seconds: float, limit_seconds: float) -> None:
        """Wait, as its watchdog does, until no sign of life has come for so long."""
        deadline, due = monotonic() + limit_seconds, monotonic() + watchdog_seconds
        while monotonic() < due:
            if monotonic() > deadline:
                raise AssertionError(f"signs of life came for {limit_seconds} s")
            if ALIVE in (self.hears(due - monotonic()) or []):
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
