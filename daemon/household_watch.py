"""The household file and its prices, as they are now: loads them, and notices when they change.

A new file that is wrong is refused with its faults, and the old one stays in force.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import structlog

from config import PricePoint, load_household, load_prices
from config.errors import LullwattError, TariffError
from daemon.state import House
from planners.local_time import local_date
from planners.prices import prices_of

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from adapters.ledger import Ledger
    from adapters.messages import PriceFeed
    from config import HouseholdFile

_log = structlog.get_logger(__name__)


def load_house(path: Path) -> House:
    """Load a household file and the price series it names.

    Parameters
    ----------
    path : Path
        The household file.

    Returns
    -------
    House
        Ready to plan with.

    Raises
    ------
    FileError
        Every fault of the file, or of a price series.
    """  # noqa: DOC502 - raised by the loaders
    return _house_of(load_household(path), None)


def _house_of(file: HouseholdFile, ledger: Ledger | None) -> House:
    series = {}
    for tariff in file.tariffs:
        if tariff.prices is None:
            continue
        points = {point.start: point for point in load_prices(tariff.prices.file)}
        if ledger is not None:
            points |= {point.start: point for point in ledger.price_points(tariff.name)}
        series[tariff.name] = sorted(points.values())
    return House(file, prices_of(file, series))


class HouseholdWatch:
    """Keeps a `House` up to date with the files it came from.

    Parameters
    ----------
    path : Path
        The household file.

    Raises
    ------
    FileError
        If it, or a price series that it names, has faults.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._house = load_house(path)
        self._seen = self._stamps()

    @property
    def house(self) -> House:
        """The household file and the rates in force."""
        return self._house

    def use_ledger(self, ledger: Ledger) -> None:
        """Lay the prices that came over the bus, and were kept, over those of the files."""
        self._house = _house_of(self._house.file, ledger)

    def look(self, ledger: Ledger) -> Literal["file", "prices"] | None:
        """Load again what has changed on disk.

        Parameters
        ----------
        ledger : Ledger
            Holds the prices that came over the bus.

        Returns
        -------
        {"file", "prices"} or None
            What is new; None if nothing is, or if the new file is refused.
        """
        stamps = self._stamps()
        if stamps == self._seen:
            return None
        file_changed = stamps.get(self._path) != self._seen.get(self._path)
        self._seen = stamps
        try:
            file = load_household(self._path)
            house = _house_of(file, ledger)
        except LullwattError as error:
            _log.error("the changed file is refused, the old one stays in force", why=str(error))
            return None
        wants_restart = _what_wants_a_restart(self._house.file, file)
        if wants_restart:
            _log.error("this change takes a restart, the old file stays in force", of=wants_restart)
            return None
        self._house = house
        self._seen = self._stamps()
        _log.info("the changed file is in force", file=str(self._path))
        return "file" if file_changed else "prices"

    def take_prices(self, feed: PriceFeed, ledger: Ledger, now: datetime) -> bool:
        """Keep prices that came over the bus, for the tariff in force.

        Parameters
        ----------
        feed : PriceFeed
            The message.
        ledger : Ledger
            Where they are kept.
        now : datetime
            UTC.

        Returns
        -------
        bool
            Whether any of them is news.
        """
        house = self._house
        try:
            tariff = house.prices.tariff_on(local_date(now, house.file.zone))
        except TariffError as error:
            _log.warning("prices came, but no tariff is in force", why=str(error))
            return False
        if tariff.prices is None:
            _log.warning("prices came, but the tariff in force has bands", tariff=tariff.name)
            return False
        points = [
            PricePoint(price.start, price.rate)
            for price in feed.rates
            if price.start == price.start.replace(second=0, microsecond=0)
        ]
        if len(points) < len(feed.rates):
            _log.warning("prices that start within a minute are passed over", tariff=tariff.name)
        news = ledger.add_prices(tariff.name, points)
        if news:
            self._house = _house_of(house.file, ledger)
            _log.info("prices came", tariff=tariff.name, news=news)
        return news > 0

    def _stamps(self) -> dict[Path, tuple[int, int] | None]:
        paths = [self._path]
        paths += [t.prices.file for t in self._house.file.tariffs if t.prices is not None]
        return {path: _stamp(path) for path in paths}


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_size


def _what_wants_a_restart(old: HouseholdFile, new: HouseholdFile) -> list[str]:
    """Name what can't change under a running daemon: its topics, its broker, its record."""
    changed = {
        "household.name": old.household.name != new.household.name,
        "household.timezone": old.household.timezone != new.household.timezone,
        "household.currency": old.household.currency != new.household.currency,
        "the names in charge_points": set(old.charge_points) != set(new.charge_points),
        "bus": old.bus != new.bus,
        "ledger": old.ledger != new.ledger,
    }
    return [what for what, differs in changed.items() if differs]
