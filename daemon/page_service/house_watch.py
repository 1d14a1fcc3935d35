"""Keep the household file and its rates up to date; a changed file with faults is not taken."""

from __future__ import annotations

from dataclasses import replace
from time import monotonic
from typing import TYPE_CHECKING, Final

import structlog

from config.files.errors import LullwattError
from config.files.texts import stamp_of
from daemon.service.house_loading import load_house

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from daemon.control.state import House

LOOKS_EVERY_SECONDS: Final = 10.0
READS_EVERY_SECONDS: Final = 900.0
"""Prices come into the record without a change of the household file."""

_log = structlog.get_logger(__name__)


class HouseWatch:
    """Reads the household again when its file has changed.

    Parameters
    ----------
    path
        The household file; `FileError` if it has faults at the start.
    seconds
        A clock that only grows [s].
    """

    def __init__(self, path: Path, seconds: Callable[[], float] = monotonic) -> None:
        self._path = path
        self._seconds = seconds
        self._stamp = stamp_of(self._path)
        self._house = _house_of(path)
        self._looked = self._read = seconds()

    @property
    def path(self) -> Path:
        """The household file."""
        return self._path

    def house(self) -> House:
        """Return the household; looks at the file every ten seconds at most."""
        now = self._seconds()
        if now < self._looked + LOOKS_EVERY_SECONDS:
            return self._house
        self._looked = now
        if stamp_of(self._path) != self._stamp or now >= self._read + READS_EVERY_SECONDS:
            self.read_again()
        return self._house

    def read_again(self) -> None:
        """Read the file now; one with faults is logged, and not used."""
        self._stamp, self._read = stamp_of(self._path), self._seconds()
        try:
            house = _house_of(self._path)
        except LullwattError as error:
            _log.warning("the changed household file has faults; it is not used", why=str(error))
            return
        self._house = house


def _house_of(path: Path) -> House:
    """Load a household, with the page's own account at the broker."""
    house = load_house(path)
    page = house.file.page
    if page is None:
        return house
    bus = page.account_of(house.file.bus)
    return replace(house, file=house.file.model_copy(update={"bus": bus}))
