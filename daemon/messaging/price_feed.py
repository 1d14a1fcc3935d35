"""Sort prices, and announced days, by the tariff that each is for. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from config.files.announcements import Announcement, read_hours
from config.files.errors import TariffError
from config.files.price_series import PricePoint
from planners.local_time.conversion import local_date

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.messages import AnnouncedDay, Announcements, PriceFeed, PriceStart
    from planners.rates.prices import Prices

YEARS = range(2000, 2100)
"""Years (in UTC) of prices that are accepted, in a message as in a file."""


@dataclass
class SortedFeed:
    """The prices of one message, sorted.

    Attributes
    ----------
    by_tariff : dict of str to dict
        Prices for each tariff, by their starts; of two for one start the last counts.
    ignored : Counter of str
        How many prices are for no tariff, by the reason.
    """

    by_tariff: dict[str, dict[datetime, PricePoint]] = field(default_factory=dict)
    ignored: Counter[str] = field(default_factory=Counter)

    def why(self) -> str:
        """Return how many prices were ignored for each reason."""
        return "; ".join(f"{count} {reason}" for reason, count in self.ignored.items())


def sort_feed(prices: Prices, feed: PriceFeed) -> SortedFeed:
    """Sort each price to the tariff that is in force on the local date of its start.

    So tomorrow's prices can arrive today, even if another tariff begins at midnight.

    Parameters
    ----------
    prices : Prices
        The household's tariffs.
    feed : PriceFeed
        The message.

    Returns
    -------
    SortedFeed
        The prices by tariff, and how many are for none.
    """
    found = SortedFeed()
    for price in feed.rates:
        tariff, reason = _tariff_for(prices, price)
        if reason:
            found.ignored[reason] += 1
        else:
            point = PricePoint(price.start, price.rate)
            found.by_tariff.setdefault(tariff, {})[price.start] = point
    return found


@dataclass
class SortedDays:
    """The announced days of one message, sorted.

    Attributes
    ----------
    by_tariff : dict of str to dict
        Announcements for each tariff, by their days; of two for one day the last counts.
    ignored : Counter of str
        How many are for no tariff, by the reason.
    """

    by_tariff: dict[str, dict[date, Announcement]] = field(default_factory=dict)
    ignored: Counter[str] = field(default_factory=Counter)

    def why(self) -> str:
        """Return how many announcements were ignored for each reason."""
        return "; ".join(f"{count} {reason}" for reason, count in self.ignored.items())


def sort_announcements(prices: Prices, made: Announcements) -> SortedDays:
    """Sort each announced day to the tariff that is in force on its date.

    Parameters
    ----------
    prices : Prices
        The household's tariffs.
    made : Announcements
        The message.

    Returns
    -------
    SortedDays
        The announcements by tariff, and how many are for none.
    """
    found = SortedDays()
    for each in made.days:
        tariff, reason = _tariff_of_day(prices, each)
        if reason:
            found.ignored[reason] += 1
        else:
            day, hours = date.fromisoformat(each.date), read_hours(" ".join(_tight(each)))
            found.by_tariff.setdefault(tariff, {})[day] = Announcement(day, each.kind, hours)
    return found


def _tight(made: AnnouncedDay) -> tuple[str, ...]:
    return tuple(each.replace(" ", "") for each in made.hours or ())


def _tariff_of_day(prices: Prices, made: AnnouncedDay) -> tuple[str, str]:
    """Return the tariff's name, or the reason why there is none."""
    try:
        tariff = prices.tariff_on(date.fromisoformat(made.date))
    except TariffError:
        return "", "on days before the first tariff"
    if tariff.announced is None:
        return "", f"on days of {tariff.name}, which announces none"
    picked = tariff.announced.picked_by_name.get(made.kind)
    if picked is None:
        return "", f"of a kind that {tariff.name} does not have"
    if picked != bool(made.hours):
        return "", "without their hours" if picked else "with hours, of a kind of whole days"
    return tariff.name, ""


def _tariff_for(prices: Prices, price: PriceStart) -> tuple[str, str]:
    """Return the tariff's name, or the reason why there is none."""
    start = price.start
    if start.year not in YEARS:
        return "", f"outside the years {YEARS.start} to {YEARS.stop - 1}"
    if start != start.replace(second=0, microsecond=0):
        return "", "that start within a minute"
    try:
        tariff = prices.tariff_on(local_date(start, prices.zone))
    except TariffError:
        return "", "on days before the first tariff"
    if tariff.series is None:
        return "", f"on days of {tariff.name}, which has bands"
    return tariff.name, ""
