"""Announce a household's doors until SIGTERM or Ctrl-C, and keep up with changes."""

from __future__ import annotations

import asyncio
import signal
from contextlib import suppress
from typing import TYPE_CHECKING, Final

import structlog

from adapters.discovery.announcer import Announcer
from adapters.discovery.own_addresses import is_of_this_machine, own_addresses
from adapters.host.service_notice import ServiceNotice
from config.files.errors import LullwattError
from config.files.texts import stamp_of
from config.household.loading import load_household
from daemon.announcing.services import announced

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from config.household.household_file import HouseholdFile

LOOKS_EVERY_SECONDS: Final = 30.0
"""A cable that is plugged in, or a new address, is noticed so late at the most."""

_log = structlog.get_logger(__name__)


def announce_until_told(path: Path, file: HouseholdFile) -> None:
    """Announce a household's doors until SIGTERM or Ctrl-C.

    Parameters
    ----------
    path : Path
        The household file; when it changes it is read again, at once on SIGHUP.
    file : HouseholdFile
        What it holds now.
    """
    asyncio.run(_announce(path, file))


async def _announce(path: Path, file: HouseholdFile) -> None:
    turns = Turns()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, turns.stop)
    loop.add_signal_handler(signal.SIGHUP, turns.look)
    notice = ServiceNotice.from_environment()
    announcer = Announcer()
    read = file_reader(path, file)
    try:
        async for _ in keep_announced(announcer, read, turns):
            notice.send(READY=1)
    finally:
        await announcer.close()
        notice.close()


class Turns:
    """When to look again whether anything has changed, and when to stop."""

    def __init__(self) -> None:
        self.is_over = False
        self._told = asyncio.Event()

    def look(self) -> None:
        """Look at once."""
        self._told.set()

    def stop(self) -> None:
        """Look no more."""
        self.is_over = True
        self._told.set()

    async def wait(self) -> None:
        """Wait until it is time to look again."""
        with suppress(TimeoutError):
            async with asyncio.timeout(LOOKS_EVERY_SECONDS):
                await self._told.wait()
        self._told.clear()


async def keep_announced(
    announcer: Announcer,
    read: Callable[[], HouseholdFile],
    turns: Turns,
    addresses: Callable[[], tuple[str, ...]] = own_addresses,
) -> AsyncIterator[bool]:
    """Announce what a household declares, and look every half minute whether that has changed.

    Parameters
    ----------
    announcer : Announcer
        Tells the network.
    read : callable
        Returns the household.
    turns : Turns
        When to look again.
    addresses : callable
        Returns the addresses of this machine in private networks.

    Yields
    ------
    bool
        After each look: whether anything is announced.
    """
    was_told: bool | None = None
    while not turns.is_over:
        services = announced(read(), addresses(), is_of_this_machine)
        if not services and was_told is not False:
            _log.warning(
                "nothing is announced: this machine has no address in a private network at which"
                " a door answers that announce names"
            )
        was_told = await announcer.tell(services) and bool(services)
        yield was_told
        await turns.wait()


def file_reader(path: Path, file: HouseholdFile) -> Callable[[], HouseholdFile]:
    """Return what reads a household file when it has changed.

    Parameters
    ----------
    path : Path
        The file.
    file : HouseholdFile
        What it holds now.

    Returns
    -------
    callable
        Returns what it holds; a file with faults is logged, and the former one stays.
    """
    latest = (stamp_of(path), file)

    def read() -> HouseholdFile:
        nonlocal latest
        stamp = stamp_of(path)
        if stamp != latest[0]:
            latest = (stamp, latest[1])
            try:
                latest = (stamp, load_household(path))
            except LullwattError as error:
                _log.warning("the changed household file is not used", why=str(error))
        return latest[1]

    return read
