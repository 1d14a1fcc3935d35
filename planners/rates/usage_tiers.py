"""Find the rate of a kWh if it depends on the use of the day or month.

The rest of the home comes first, with its usual use, and charging comes on top. So charging costs
the bill of a whole day or month with it, less the bill without it.
"""

from __future__ import annotations

from bisect import bisect_right
from calendar import monthrange
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import TYPE_CHECKING

from config.fields.value_types import WATT_HOURS_PER_KWH
from config.tariffs.tariff import TIERS_UNITS
from planners.local_time.conversion import instant_of_local, local_date

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from decimal import Decimal
    from zoneinfo import ZoneInfo

    from config.tariffs.band import Band
    from config.tariffs.tariff import Tariff, TiersPer

_LONGEST_MONTH = timedelta(days=31)


@dataclass(frozen=True, slots=True)
class UsageTiers:
    """The tiers of one band.

    Attributes
    ----------
    per : {"day", "month", "days_of_month"}
        Whether the use is counted by the local day or by the calendar month.
    usual_wh : int
        What the rest of the home uses in that time, or for ``"days_of_month"`` on each day of it
        [Wh].
    ends_wh : tuple of int
        Where each tier but the last one ends, ascending, likewise [Wh of the home's whole use].
    rates : tuple of Decimal
        Rate of each tier, tax included [currency per kWh].
    """

    per: TiersPer
    usual_wh: int
    ends_wh: tuple[int, ...]
    rates: tuple[Decimal, ...]

    @property
    def unit(self) -> str:
        """What the ends are for, in words."""
        return TIERS_UNITS[self.per]

    def of_month(self, day: date) -> UsageTiers:
        """Return the tiers of the whole month that a local date is in, if they are for its days."""
        if self.per != "days_of_month":
            return self
        days = monthrange(day.year, day.month)[1]
        ends = tuple(days * end for end in self.ends_wh)
        return UsageTiers("month", days * self.usual_wh, ends, self.rates)

    def rate_after(self, charged_wh: int) -> Decimal:
        """Return the rate of the next watt-hour of charging.

        Parameters
        ----------
        charged_wh : int
            Charged so far in the day or month [Wh]; 0 gives the rate after the usual use.

        Returns
        -------
        Decimal
            Tax included [currency per kWh].
        """
        return self.rate_at(self.usual_wh + charged_wh)

    def rate_at(self, used_wh: int) -> Decimal:
        """Return the rate of the next watt-hour after some use of the whole home [Wh]."""
        return self.rates[bisect_right(self.ends_wh, used_wh)]

    @property
    def charged_ends_wh(self) -> tuple[int, ...]:
        """Amounts of charging at which the rate changes, above the usual use [Wh]."""
        return tuple(end - self.usual_wh for end in self.ends_wh if end > self.usual_wh)

    def counted_from(self, instant: datetime, zone: ZoneInfo) -> datetime:
        """Return the start of the day or month of an instant.

        Parameters
        ----------
        instant : datetime
            Aware.
        zone : ZoneInfo
            The household's zone.

        Returns
        -------
        datetime
            UTC.
        """
        return instant_of_local(self._first(local_date(instant, zone)), time.min, zone)

    def counted_until(self, instant: datetime, zone: ZoneInfo) -> datetime:
        """Return the start of the next day or month, when the count begins again."""
        first = self._first(local_date(instant, zone))
        later = first + (timedelta(days=1) if self.per == "day" else _LONGEST_MONTH)
        return instant_of_local(self._first(later), time.min, zone)

    def _first(self, day: date) -> date:
        return day if self.per == "day" else day.replace(day=1)


def usage_tiers_of(tariff: Tariff, band: Band) -> UsageTiers | None:
    """Return the tiers of a band.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    band : Band
        One of its bands.

    Returns
    -------
    UsageTiers or None
        Rates with the tariff's tax; None for a band of one rate.
    """
    if band.tiers is None or tariff.tiers_per is None or tariff.usual_kwh is None:
        return None
    ends = (tier.up_to_kwh for tier in band.tiers)
    return UsageTiers(
        per=tariff.tiers_per,
        usual_wh=watt_hours(tariff.usual_kwh),
        ends_wh=tuple(watt_hours(end) for end in ends if end is not None),
        rates=_taxed(tariff, [tier.rate for tier in band.tiers]),
    )


def band_rate(tariff: Tariff, band: Band) -> Decimal:
    """Return the rate at which a band is planned.

    With tiers it is the rate of the kWh after the usual use.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    band : Band
        One of its bands.

    Returns
    -------
    Decimal
        Tax included [currency per kWh].

    Raises
    ------
    ValueError
        If the band has neither a rate nor tiers, which a loaded file rules out.
    """
    tiers = usage_tiers_of(tariff, band)
    if tiers is not None:
        return tiers.rate_after(0)
    if band.rate is None:
        raise ValueError(f"{band.name} has neither a rate nor tiers")
    return _taxed(tariff, [band.rate])[0]


def _taxed(tariff: Tariff, rates: Sequence[Decimal]) -> tuple[Decimal, ...]:
    return tuple(rate * tariff.tax_factor for rate in rates)


def watt_hours(kwh: Decimal) -> int:
    """Convert an amount of use to whole watt-hours."""
    return round(kwh * WATT_HOURS_PER_KWH)
