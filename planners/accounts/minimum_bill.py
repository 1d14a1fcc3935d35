"""Reckon a minimum bill: what is missing from the least that a month's bill comes to. Pure.

A capacity charge comes on top of it, and does not count. A minimum bill is a line of the month and
no part of a night: which kWh would have reached it is nobody's to say.
"""

from __future__ import annotations

from calendar import monthrange
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from config.files.errors import TariffError
from planners.rates.composed_rates import standing_charge_on, tax_factor

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from config.tariffs.tariff import Tariff
    from planners.rates.prices import Prices

_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class MinimumOfMonth:
    """A minimum bill of a month, or of the days of it on which a tariff has one.

    Attributes
    ----------
    least : Decimal
        What the bill comes to at least, tax included [currency].
    without : Decimal
        What counts towards it without charging, tax included [currency].
    charging : Decimal
        What charging adds to that [currency].
    """

    least: Decimal
    without: Decimal
    charging: Decimal

    @property
    def top_up(self) -> Decimal:
        """What is charged on top [currency]."""
        return max(Decimal(0), self.least - self.without - self.charging)

    @property
    def top_up_without(self) -> Decimal:
        """What would be charged on top without charging [currency]."""
        return max(Decimal(0), self.least - self.without)


def day_of_minimum(tariff: Tariff, day: date) -> MinimumOfMonth | None:
    """Return a day's part of a month's minimum bill, without charging.

    Parameters
    ----------
    tariff : Tariff
        The tariff in force.
    day : date
        Local date.

    Returns
    -------
    MinimumOfMonth or None
        None if the tariff has no minimum bill.
    """
    minimum = tariff.minimum_bill
    if minimum is None:
        return None
    factor, days = tax_factor(tariff, day), monthrange(day.year, day.month)[1]
    share = minimum.amount if minimum.per == "day" else minimum.amount / days
    standing = standing_charge_on(tariff, day) if minimum.of == "bill" else Decimal(0)
    return MinimumOfMonth(
        least=share * factor,
        without=standing + minimum.home_energy * factor / days,
        charging=Decimal(0),
    )


def minimum_of_month(
    prices: Prices, first: date, last: date, charged_on: Callable[[date], Decimal]
) -> MinimumOfMonth | None:
    """Add up the minimum bill of the days of a month.

    Parameters
    ----------
    prices : Prices
        The rates of a meter.
    first, last : date
        The month's days.
    charged_on : callable
        What charging cost on a local date [currency].

    Returns
    -------
    MinimumOfMonth or None
        None if no tariff of these days has one.
    """
    found: list[MinimumOfMonth] = []
    for number in range((last - first).days + 1):
        day = first + number * _DAY
        try:
            part = day_of_minimum(prices.tariff_on(day), day)
        except TariffError:
            continue
        if part is not None:
            found.append(MinimumOfMonth(part.least, part.without, charged_on(day)))
    if not found:
        return None
    return MinimumOfMonth(
        least=_whole(each.least for each in found),
        without=_whole(each.without for each in found),
        charging=sum((each.charging for each in found), Decimal(0)),
    )


def _whole(parts: Iterable[Decimal]) -> Decimal:
    """Add up shares of a month; what their division left is rounded away [currency]."""
    return round(sum(parts, Decimal(0)), 10)
